"""The store opened for a daemon or an office: its folder made, an older file brought up to date, room waited for.

Whoever started us is kept informed: on the terminal and in the log, and systemd, which would take a long start for one
that hangs.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final

import structlog

from ingest.errors import DiskFullError, StorageError
from ingest.runtime.machine.systemd import Systemd
from ingest.store.file.opening import FILE_NAME
from ingest.store.file.schema import Progress
from ingest.store.sqlite_store import SqliteStore

TELL_EVERY_S: Final = 5.0
EXTEND_BY_S: Final = 120.0
"""By how much a start that makes progress may last longer still (`EXTEND_TIMEOUT_USEC`, sd_notify(3))."""

ROOM_LOOK_EVERY_S: Final = 10.0

_log = structlog.get_logger("lumberroom.store")


class ProgressTeller:
    """Tells how far bringing a file up to date has come: systemd each time, the log every few seconds. Any thread."""

    def __init__(self, systemd: Systemd, *, every_s: float = TELL_EVERY_S) -> None:
        self._systemd = systemd
        self._every_s = every_s
        self._told_s = -every_s

    def __call__(self, progress: Progress) -> None:
        """Tell."""
        now_s = time.monotonic()
        percent = int(100 * progress.share)
        self._systemd.tell(
            f"EXTEND_TIMEOUT_USEC={int(EXTEND_BY_S * 1e6)}\nSTATUS=bringing the store up to date, {percent} %"
        )
        if now_s - self._told_s >= self._every_s or progress.share in (0.0, 1.0):
            self._told_s = now_s
            _log.info(
                "bringing the store up to date: do not switch off" if progress.share < 1 else "the store is up to date",
                schema=progress.version,
                done=f"{percent} %",
            )


def open_store(directory: Path, systemd: Systemd) -> SqliteStore:
    """Open the store in a data directory, making both where they are not there. Blocks.  Raises StorageError."""
    try:
        directory.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            f"the data directory cannot be made ({error.strerror})",
            where=str(directory),
            mend="Name another one under [data], or make it and give it to the user that runs lumberroom.",
        ) from error
    return SqliteStore.open(directory / FILE_NAME, tell=ProgressTeller(systemd))


async def once_there_is_room(
    begin: Callable[[], Awaitable[SqliteStore]],
    systemd: Systemd,
    stopping: asyncio.Event,
    tell: Callable[[DiskFullError | None], Awaitable[None]],
) -> SqliteStore:
    """Begin, and where the disk is full wait for room and begin again.

    tell: is told of each look what keeps us, and None once there is room.  Raises StorageError: what `begin` raises
    besides, and DiskFullError when `stopping` is set meanwhile.
    """
    has_waited = False
    while True:
        try:
            store = await begin()
        except DiskFullError as error:
            if not has_waited:
                _log.error("there is no room to start; waiting for it", error=str(error))
            has_waited = True
            systemd.tell(f"EXTEND_TIMEOUT_USEC={int(EXTEND_BY_S * 1e6)}\nSTATUS=waiting: {error.what}")
            await tell(error)
            if await _is_set(stopping, ROOM_LOOK_EVERY_S):
                raise
        else:
            if has_waited:
                _log.info("there is room again")
                await tell(None)
            return store


async def _is_set(event: asyncio.Event, within_s: float) -> bool:
    try:
        async with asyncio.timeout(within_s):
            await event.wait()
    except TimeoutError:
        return False
    return True
