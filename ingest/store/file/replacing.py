"""One store's file put in the place of another: whole or not at all, whenever the power goes.

The one that was there keeps its name until the very last: it is first kept under a second name, with the log that
belongs to it; then the new file, already whole on the disk, takes the name `….replacing`. From that instant on the
replacement is certain: whoever opens the store next carries it through. At no instant is there no store.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Final

from ingest.errors import StorageError
from ingest.store.file.trouble import folder_error

OWNER_ONLY: Final = 0o600
"""Who may read and write a store, all that lies beside it, and its copies: the user that runs lumberroom, whatever the
umask, from the first moment on."""

NOTE: Final = ".newest"
"""Where it is noted beside a store up to where it has acknowledged (`newest`)."""

COMPANIONS: Final = ("-wal", "-shm", NOTE)


def replace(target: Path, fresh: Path, kept: Path) -> bool:
    """Put a file in the place of a store's, and keep that one; say whether there was one.

    fresh: a whole store's file without a log, in the same folder; it is gone afterwards.  kept: what the one that is
    there is called from now on.  Nobody may have `target` open; hold its mark.  Raises StorageError, OSError.
    """
    if kept.exists():
        raise StorageError("there is a file already", where=str(kept), mend="Move it away first")
    to_disk(fresh)
    there = target.exists()
    if there:
        for end in ("", "-wal"):
            if (part := target.with_name(target.name + end)).exists():
                _keep(part, kept.with_name(kept.name + end))
    fresh.rename(_certain(target))
    to_disk(target.parent)
    finish(target)
    return there


def finish(target: Path) -> None:
    """Carry a replacement through that was certain when the power went; nothing where there is none.

    Raises StorageError.
    """
    if not is_cut_short(target):
        return
    try:
        for end in COMPANIONS:  # they belong to the file that goes, and would spoil the one that comes
            target.with_name(target.name + end).unlink(missing_ok=True)
        to_disk(target.parent)
        _certain(target).rename(target)
        to_disk(target.parent)
    except OSError as error:
        raise folder_error(error, target.parent) from error


def is_cut_short(target: Path) -> bool:
    """Say whether a replacement is certain and not carried through yet."""
    return _certain(target).exists()


def new_for_owner_only(path: Path) -> None:
    """Make an empty file that nobody else may read at any moment. Raises OSError, FileExistsError among them."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, OWNER_ONLY))


def copy_for_owner_only(source: Path, target: Path) -> None:
    """Copy a file to one that nobody else may read at any moment, in the place of what is there. Raises OSError."""
    target.unlink(missing_ok=True)
    new_for_owner_only(target)
    shutil.copyfile(source, target)


def to_disk(path: Path) -> None:
    """Return when a file, or the names in a folder, are on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _certain(target: Path) -> Path:
    return target.with_name(target.name + ".replacing")


def _keep(part: Path, kept: Path) -> None:
    try:
        kept.hardlink_to(part)
    except OSError:  # memory cards have file systems without links
        unfinished = kept.with_name(kept.name + ".unfinished")
        copy_for_owner_only(part, unfinished)
        to_disk(unfinished)
        unfinished.rename(kept)
