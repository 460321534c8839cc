"""The estimate of what a picture needs is a bound: compared with the memory that a real child really used."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st

from printqueue.core.errors import IncompletePictureError
from printqueue.imaging.colour import spaces
from printqueue.imaging.jobs import Provenance
from printqueue.imaging.render.plan import DoesNotFitError, place
from printqueue.sandbox.context import Context, ask, print_job
from printqueue.sandbox.needs import NOTHING, Header, need_of
from printqueue.sandbox.protocol import JudgeTask, PrintTask, ProbeTask
from printqueue.studio.orders import resolve
from printqueue.studio.papers.loader import Shelf
from printqueue.studio.starter import init
from tests.running import support

PROVENANCE = Provenance("x", "y", "p", "z", "n", "s", "v")


@pytest.fixture(scope="module")
def context(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Context]:
    """A studio with the starter papers and the product's own fork server."""
    studio = init(str(tmp_path_factory.mktemp("needs") / "studio"), "")
    with support.fork_server_of("printqueue.sandbox.tasks") as fork_server:
        yield Context(studio, fork_server, Shelf.load(studio.path("rules")))


def _request(context: Context, size: str) -> Any:
    (request,) = resolve.resolve(
        context.shelf.papers, folder_paper="smooth-rag", folder_size=size, order=None, default_paper=None
    )
    return request


@pytest.mark.slow
@pytest.mark.parametrize(
    ("megapixels", "size", "options"),
    [
        (6, "A3", {"compression": "lzw", "predictor": True, "rowsperstrip": 64}),
        (48, "A5", {"rowsperstrip": 64}),
        (12, "A4", {"compression": "lzw", "rowsperstrip": 100_000}),
    ],
    ids=["enlarged", "reduced nine times", "one strip"],
)
def test_a_child_stays_within_the_estimate(
    context: Context, tmp_path: Path, megapixels: int, size: str, options: dict[str, Any]
) -> None:
    """Judging and rendering keep within the estimate (VmHWM, proc(5)), and the estimate is no wild guess: five times at most."""
    path = tmp_path / "Estuary.tif"
    _paint(path, megapixels, options)
    request = _request(context, size)
    job = print_job(request, context.stock(context.shelf.papers["smooth-rag"]))
    reading, writing = os.open(path, os.O_RDONLY), os.open(tmp_path / "out.tif", os.O_RDWR | os.O_CREAT)
    with context.child() as child:
        header = ask(child, "probe", ProbeTask(context.bounds), (reading,)).header
        assert header is not None
        need = need_of(header, [place(request, header.width_px, header.height_px)])
        assert ask(child, "judge", JudgeTask((job,), context.bounds), (reading,)).report is not None
        assert ask(child, "render", PrintTask(job, PROVENANCE, context.bounds), (reading, writing)).rendered is not None
        used = _peak_bytes(child._pid)
    os.close(reading)
    os.close(writing)
    assert used < need.memory < 5 * used
    assert need.output >= os.path.getsize(tmp_path / "out.tif")


def test_a_suspicious_picture_has_its_need_too(context: Context, tmp_path: Path) -> None:
    """A black foot that looks never written, and that may be allowed, is no reason to bound the child to nothing."""
    path = tmp_path / "Night.tif"
    tifffile.imwrite(path, np.full((2000, 3000, 3), 30000, np.uint16), photometric="rgb")
    with open(path, "r+b") as stream:
        stream.seek(4096 * 4000)
        stream.write(bytes(os.path.getsize(path) - 4096 * 4000))
    reading = os.open(path, os.O_RDONLY)
    with context.child() as child:
        with pytest.raises(IncompletePictureError):
            ask(child, "probe", ProbeTask(context.bounds), (reading,))
        header = ask(child, "probe", ProbeTask(context.bounds, patient=True), (reading,)).header
    os.close(reading)
    assert header is not None
    assert (header.width_px, header.height_px) == (3000, 2000)


def _paint(path: Path, megapixels: int, options: dict[str, Any]) -> None:
    width = round((megapixels * 1.5e6) ** 0.5)
    height = round(width / 1.5)
    row = (30000 + 18000 * np.sin(np.arange(width) / 700)).astype(np.uint16)
    codes = np.broadcast_to(row[None, :, None], (height, width, 3))
    tifffile.imwrite(path, codes, photometric="rgb", iccprofile=spaces.profile_bytes("srgb"), **options)


def _peak_bytes(pid: int) -> int:
    found = re.search(r"^VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text(), re.MULTILINE)
    assert found is not None
    return int(found[1]) * 1024


@given(st.integers(1, 40_000), st.integers(1, 40_000), st.sampled_from(["A5", "A4", "A3", "A2"]))
def test_estimate_stays_bounded(context: Context, width: int, height: int, size: str) -> None:
    """However large the picture, bands keep the estimate below 3 GB: what studio.yaml allows by default."""
    try:
        placement = place(_request(context, size), width, height)
    except DoesNotFitError:  # too narrow to be printed
        return
    need = need_of(Header(width, height, 3, 0), [placement])
    assert NOTHING.memory < need.memory < 3e9
    assert need.wall_s >= 30


def test_more_pixels_need_more(context: Context) -> None:
    """Time, disk and memory never shrink when the picture or the sheet grows."""
    small, large = ([place(_request(context, size), 3000, 2000)] for size in ("A4", "A2"))
    header, wide = Header(3000, 2000, 3, 0), Header(9000, 6000, 3, 0)
    for less, more in [
        (need_of(header, small), need_of(header, large)),
        (need_of(header, small), need_of(wide, small)),
    ]:
        assert less.memory <= more.memory
        assert less.megapixels < more.megapixels
        assert less.output <= more.output
