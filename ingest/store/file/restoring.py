"""Going back to a copy of a store: looked through first, put in the place of what is there, which is kept beside it."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import NamedTuple

from ingest.errors import StorageError
from ingest.store.file import opening, replacing
from ingest.store.file.integrity import check_integrity
from ingest.store.file.trouble import folder_error


class Restored(NamedTuple):
    """What was done.  kept: where the store that was there is now; None where there was none."""

    kept: Path | None


def restore(copy: Path, target: Path, *, stamp: str) -> Restored:
    """Put a sound copy of a store in the place of the store's file, which is kept beside it under a name with `stamp`.

    The copy itself stays where it is. Until the last moment the old file stands; a power cut leaves the one or the
    other.  Raises StorageError: the copy is no store or damaged, another process is writing, no room, or no folder.
    """
    opening.check_there(copy)
    if target.exists() and copy.resolve() == target.resolve():
        raise StorageError("this is the store itself, not a copy of it", where=str(copy), mend="Name the backup")
    log = copy.with_name(copy.name + "-wal")
    if log.exists() and log.stat().st_size:
        raise StorageError(
            "a log lies beside it, without which it is not whole",
            where=str(copy),
            mend="Make one file of both first: lumberroom backup",
        )
    faults = check_integrity(copy)
    if faults:
        raise StorageError(f"the copy is not sound: {faults[0]}", where=str(copy), mend="Name an older backup")
    mark = opening.WriterMark(target)
    try:
        return Restored(_put_in_place(copy, target, stamp))
    except OSError as error:
        raise folder_error(error, target.parent) from error
    finally:
        mark.release()


def _put_in_place(copy: Path, target: Path, stamp: str) -> Path | None:
    unfinished = target.with_name(target.name + ".unfinished")
    kept = target.with_name(f"{target.name}.before-{stamp}")
    try:
        replacing.copy_for_owner_only(copy, unfinished)
        opening.give_to_owner_of(target if target.exists() else target.parent, unfinished)
        return kept if replacing.replace(target, unfinished, kept) else None
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink(missing_ok=True)
