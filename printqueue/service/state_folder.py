"""The state folder, which holds ledger, lock and spool: where it may be, and whose it is.

It must be new, carry the studio's mark, or have been made for this studio by an earlier version; any other is refused
and left alone.
"""

from __future__ import annotations

import os
import stat
from contextlib import suppress
from pathlib import PurePath

from printqueue import ledger
from printqueue.core.disk import durable, filesystems, folders
from printqueue.core.errors import StudioError, UsageError
from printqueue.core.text import shown
from printqueue.studio import marker
from printqueue.studio.folders import MARKED_FOLDERS, PUBLIC_FOLDERS, Studio, takes_no_mark
from printqueue.studio.marker import MARK, MARKER

_MAX_NAMED = 3
# What an earlier version left in a state folder. A damaged `ledger.sqlite` alone proves nothing.
_OUR_NAMES = ("spool", "past", "lock", "log", "ledger.sqlite", "ledger-set-aside-")


# -- where may it be? -----------------------------------------------------------------


def require_local_state(studio: Studio) -> None:
    """Refuse a ledger on a share: SQLite's WAL needs shared memory and real locks (sqlite.org/wal.html)."""
    system = filesystems.of(folders.standing(studio.state))
    if system.is_network:
        raise StudioError(
            f"The folder {shown(studio.state)} lies on a share ({shown(system.kind)}), where the ledger can be damaged. "
            "Nothing was taken, pictures and prints are untouched.",
            do="Set a folder on a local disk in studio.yaml, for example `state: /var/lib/printqueue/studio`. "
            "To keep what is recorded, move what the old folder holds there (but not the file `studio`, the marker).",
        )


def require_private_state(studio: Studio) -> None:
    """Refuse a state folder inside one of the photographer's folders, even through a bind mount."""
    for folder in (studio.state, *map(str, PurePath(studio.state).parents)):
        for name in PUBLIC_FOLDERS:
            if _is_same(folder, studio.path(name)):
                raise UsageError(
                    f"`state:` in studio.yaml names {shown(studio.state)}, which lies in {name}/. Nothing was made there.",
                    do="Name another folder, outside the folders of pictures, or leave the line out.",
                )


def _is_same(folder: str, other: str) -> bool:
    with suppress(OSError):  # one of them does not exist yet
        return os.path.samefile(folder, other)
    return False


# -- whose is it? ---------------------------------------------------------------------


def require_own_state(studio: Studio) -> None:
    """Refuse a state folder that is neither new nor this studio's. Changes nothing. Raises `StudioError`."""
    require_state_of(studio, _expected_identity(studio))


def require_state_of(studio: Studio, identity: str, user: int | None = None) -> None:
    """Like `require_own_state`, for a known `identity`; "" means the studio has none yet, so any mark is another's.
    `user`: who will work there, and must own the folder.
    """
    if studio.state == os.path.dirname(studio.marker):  # the marker itself says whose it is
        if user is not None and user != (owner := os.stat(studio.state).st_uid):
            raise _swapped(studio, owner)
        return
    try:
        seen = os.lstat(studio.state)
    except FileNotFoundError:
        return
    if not stat.S_ISDIR(seen.st_mode):
        raise _refused(studio, "which is no folder")
    if user is not None and user != seen.st_uid:
        raise _refused(studio, f"which belongs to another user (number {seen.st_uid})")
    mark = _mark_of(studio)
    if mark is None:
        _require_harmless(studio, identity)
    elif mark != identity or not mark:
        raise _refused(studio, "which belongs to another studio")


def _mark_of(studio: Studio) -> str | None:
    """The identity marked in a state folder outside `.printqueue/`, "" if that studio has none yet; None without a
    mark. A mark made by another user does not count.
    """
    for name in (MARK, MARKER):
        path = studio.private(name)
        if (text := marker.read(path)) and os.lstat(path).st_uid == os.lstat(studio.state).st_uid:
            return marker.id_in(text)
    return None


def _require_harmless(studio: Studio, identity: str) -> None:
    """Refuse an unmarked folder unless it is empty or holds this studio's ledger from an earlier version."""
    # Made by the file system, or left by a kill while the mark was written.
    names = sorted(set(folders.names(studio.state)) - {"lost+found", durable.TEMP_PREFIX + MARK})
    if not names or _holds_our_ledger(studio, identity, names):
        return
    more = f" and {len(names) - _MAX_NAMED} more" if len(names) > _MAX_NAMED else ""
    listed = ", ".join(shown(name, limit=60) for name in names[:_MAX_NAMED])
    raise _refused(studio, f"which holds files that are not this studio's ({listed}{more})")


def _holds_our_ledger(studio: Studio, identity: str, names: list[str]) -> bool:
    try:
        if os.lstat(studio.ledger).st_uid != os.lstat(studio.state).st_uid:  # somebody else put it there
            return False
        owner = ledger.owner(studio.ledger)
    except FileNotFoundError:
        return False
    except ledger.LedgerDamagedError:
        owner = None
    except (ledger.LedgerNewerError, ledger.LedgerBusyError):
        raise
    except ledger.LedgerError:
        return False
    if owner is None:  # damaged, or killed before its first table
        return all(name.startswith((*_OUR_NAMES, durable.TEMP_PREFIX)) for name in names)
    return owner in ("", identity)


def _swapped(studio: Studio, owner: int) -> StudioError:
    """Anyone who can write to the studio's folder can put a private folder of their own there, ledger and all."""
    return StudioError(
        f"The private folder {shown(studio.state)} belongs to another user (number {owner}), so its ledger may say anything. "
        "Nothing in it was changed or removed, and pictures stay in ready/.",
        do="Run the service as that user, or, if you know the folder, give it to this one: chown -R.",
    )


def _refused(studio: Studio, why: str) -> StudioError:
    return StudioError(
        f"`state:` in studio.yaml names {shown(studio.state)}, {why}. Nothing in it was changed or removed, and pictures "
        "stay in ready/.",
        do="Name a new or an empty folder there, or leave the line out.",
    )


# -- a studio made by an earlier version -----------------------------------------------


def _expected_identity(studio: Studio) -> str:
    """The studio's identity: from its marker, else the one its folders agree on, else "" (it needs a new one)."""
    if identity := studio.identity:
        return identity
    found = {marker.id_in(marker.read(studio.path(name, MARK))) for name in MARKED_FOLDERS} - {""}
    if len(found) > 1:
        raise StudioError(
            f"The folders of {shown(studio.root)} carry the marks of {len(found)} different studios, and its marker names "
            "none. Nothing was changed.",
            do=f"Put the true folders back, or remove {MARK} from those that are to be this studio's.",
        )
    return found.pop() if found else ""


def adopt(studio: Studio) -> str:
    """Give a studio made by an earlier version its identity, and its folders their marks. The marker is written last,
    so that a start after a kill completes the job.
    """
    identity, places = _expected_identity(studio) or marker.new_id(), {}
    for name in MARKED_FOLDERS:
        folder = studio.path(name)
        if os.path.islink(folder) or not os.path.isdir(folder):
            continue
        with durable.world("Marking", folder):
            number = marker.number_in(marker.read(os.path.join(folder, MARK)))
            if number or not takes_no_mark(name, folder):
                places[name] = number or marker.put(folder, identity)
    with durable.world("Marking", studio.marker):
        descriptor = marker.opened(studio.marker)
        try:
            marker.write_marker(descriptor, marker.marker_text(identity, places))
        finally:
            os.close(descriptor)
    return identity
