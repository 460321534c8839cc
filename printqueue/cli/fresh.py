"""A new file written by a child: hidden until whole, verified and synced; never replaces another."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from printqueue.core.disk import durable, folders
from printqueue.core.errors import OwnError, UsageError
from printqueue.core.text import shown


@dataclass(slots=True)
class FreshFile:
    """`descriptor` to write to; `keep` gives the file its name."""

    descriptor: int
    _temp: str
    _output: str

    @contextmanager
    def reading(self) -> Iterator[int]:
        """A read-only descriptor."""
        with open(self._temp, "rb", 0) as stream:
            yield stream.fileno()

    def keep(self, sha256: str) -> None:
        """Give it its name. Raises `OwnError` unless its contents match `sha256`, `UsageError` if the name is taken."""
        if durable.sha256(self._temp) != sha256:
            raise OwnError("What was written does not read back the same. No file was made.")
        with durable.world("Writing", self._output):
            durable.sync(self._temp)
            try:
                durable.rename_no_clobber(self._temp, self._output)
            except FileExistsError as error:
                raise UsageError(
                    f"{shown(self._output)} came to be meanwhile; nothing was changed.",
                    do="Try again, or name another file.",
                ) from error
            durable.sync_folder(os.path.dirname(self._output))

    def keep_text(self, data: bytes) -> None:
        """Write `data` as its whole contents and give it its name."""
        with durable.world("Writing", self._output), os.fdopen(os.dup(self.descriptor), "wb") as stream:
            stream.write(data)
        self.keep(hashlib.sha256(data).hexdigest())


@contextmanager
def fresh_file(output: str) -> Iterator[FreshFile]:
    """A file that is to become `output`; removed unless kept."""
    output = os.path.abspath(folders.as_named(output))
    temp = os.path.join(os.path.dirname(output), f"{durable.TEMP_PREFIX}{os.getpid()}{os.path.splitext(output)[1]}")
    with durable.world("Writing", output):
        descriptor = durable.create(temp)
    try:
        yield FreshFile(descriptor, temp, output)
    finally:
        os.close(descriptor)
        durable.remove(temp)


@contextmanager
def scratch_file(folder: str) -> Iterator[int]:
    """A temporary file without a name."""
    with durable.world("Writing in", folder):
        descriptor = durable.nameless(folder)
    try:
        yield descriptor
    finally:
        os.close(descriptor)
