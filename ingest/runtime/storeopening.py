"""The store opened for a daemon or an office: its folder made, what is damaged in it told, room waited for.

Whoever started us is kept informed: on the terminal and in the log, and systemd, which would take a long start for one
that hangs.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Final

import structlog

from ingest.errors import DiskFullError, StorageError
from ingest.runtime.machine.systemd import Systemd
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

EXTEND_BY_S: Final = 120.0
"""By how much a start that waits for room may last longer still (`EXTEND_TIMEOUT_USEC`, sd_notify(3))."""

ROOM_LOOK_EVERY_S: Final = 10.0

_log = structlog.get_logger("lumberroom.store")


def open_store(directory: Path) -> SqliteStore:
    """Open the store in a data directory, making both where they are not there. Blocks.  Raises StorageError.

    A directory that is made is for its owner only.
    """
    try:
        directory.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            f"the data directory cannot be made ({error.strerror})",
            where=str(directory),
            mend="Name another one under [data], or make it and give it to the user that runs lumberroom.",
        ) from error
    store = SqliteStore.open(directory / FILE_NAME)
    for found in store.damage:
        _log.error("the store is damaged", found=found, mend="Stop the daemon and run: lumberroom doctor --mend")
    return store


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
