"""The demonstration's folder: what it must remember so that a second run goes on where the first one stopped.

Beside the store lies `demonstration.json`: where the story began, when it was started live, and the state of each
simulated room at the end of the written history. A store without that file is somebody's real one and left alone.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any, Final

from ingest.errors import RefusedError, StorageError
from ingest.store.file.opening import FILE_NAME

MARK: Final = "demonstration.json"
EDITION: Final = 1


@dataclass(slots=True)
class Memory:
    """What is remembered.

    start_ms: where the story began (UTC).  live_starts_ms: each start of the demonstration.  rooms: by room id, the
    `resume` setting of its adapter at the end of the history that was written last.
    """

    start_ms: int
    live_starts_ms: list[int] = field(default_factory=list)
    rooms: dict[str, dict[str, Any]] = field(default_factory=dict)
    edition: int = EDITION


def recall(directory: Path) -> Memory | None:
    """Give what an earlier run remembered; None for a new folder.

    Raises RefusedError where the folder holds a store that is no demonstration, StorageError where the memory cannot
    be read.
    """
    mark = directory / MARK
    if not mark.exists():
        if (directory / FILE_NAME).exists():
            raise RefusedError(
                "this folder holds readings that are not the demonstration's, and invented ones must not be mixed in",
                where=str(directory),
                mend="Name another folder with --data, or leave --data out.",
            )
        return None
    try:
        memory = Memory(**json.loads(mark.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError) as problem:
        raise _unreadable(mark, str(problem)) from problem
    if memory.edition != EDITION:
        raise _unreadable(mark, f"it was written by another edition, {memory.edition}")
    return memory


def remember(directory: Path, memory: Memory) -> None:
    """Write the memory, all of it or nothing.  Raises StorageError."""
    mark = directory / MARK
    fresh = directory / f"{MARK}.new"
    try:
        directory.mkdir(parents=True, exist_ok=True)
        with fresh.open("w", encoding="utf-8") as file:
            json.dump(asdict(memory), file)
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(mark)
    except OSError as problem:
        raise StorageError(
            f"the demonstration cannot write there ({problem.strerror})",
            where=str(directory),
            mend="Name another folder with --data, or free some space.",
        ) from problem


def _unreadable(mark: Path, why: str) -> StorageError:
    return StorageError(
        f"what the last demonstration remembered cannot be read ({why})",
        where=str(mark),
        mend="Delete the folder, or name another one with --data.",
    )
