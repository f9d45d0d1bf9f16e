"""Opening the store at the start: room is waited for, and systemd waits for us."""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.errors import DiskFullError, StorageError
from ingest.runtime import storeopening
from ingest.runtime.machine.systemd import Systemd
from ingest.runtime.storeopening import once_there_is_room
from ingest.store.sqlite_store import SqliteStore


class Listener:
    """Stands where systemd listens."""

    def __init__(self, folder: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(folder / "notify"))
        self.socket.setblocking(False)
        self.systemd = Systemd({"NOTIFY_SOCKET": str(folder / "notify")})

    def heard(self) -> list[str]:
        """Give what was told since the last time."""
        told = []
        while True:
            try:
                told.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return told


@pytest.fixture
def listener(tmp_path: Path) -> Iterator[Listener]:
    """Somebody who listens as systemd does."""
    made = Listener(tmp_path)
    yield made
    made.socket.close()


async def test_a_full_disk_is_waited_for_and_nothing_else(tmp_path: Path, listener: Listener) -> None:
    """Begun again until there is room, with word to systemd; another trouble, or the wish to stop, ends it."""
    before, storeopening.ROOM_LOOK_EVERY_S = storeopening.ROOM_LOOK_EVERY_S, 0.01
    looks: list[DiskFullError | None] = []

    async def tell(error: DiskFullError | None) -> None:
        looks.append(error)

    async def begin() -> SqliteStore:
        if len(looks) < 3:
            raise DiskFullError("the disk is full")
        return await asyncio.to_thread(SqliteStore.open, tmp_path / "lumberroom.sqlite3")

    async def fail() -> SqliteStore:
        raise StorageError("the disk could not be read or written")

    try:
        store = await once_there_is_room(begin, listener.systemd, asyncio.Event(), tell)
        await asyncio.to_thread(store.close)
        assert [error is None for error in looks] == [False, False, False, True]
        words = listener.heard()
        assert len(words) == 3
        assert all(word.startswith("EXTEND_TIMEOUT_USEC=") for word in words)
        with pytest.raises(StorageError, match="could not be read"):
            await once_there_is_room(fail, listener.systemd, asyncio.Event(), tell)
        stopping = asyncio.Event()
        stopping.set()
        looks.clear()
        with pytest.raises(DiskFullError):
            await once_there_is_room(begin, listener.systemd, stopping, tell)
    finally:
        storeopening.ROOM_LOOK_EVERY_S = before


def test_a_data_folder_that_is_made_is_for_its_owner_only(tmp_path: Path) -> None:
    """Whatever the umask; one that is there keeps the rights that somebody gave it."""
    before = os.umask(0)
    try:
        storeopening.open_store(tmp_path / "data").close()
        (tmp_path / "given").mkdir(mode=0o750)
        storeopening.open_store(tmp_path / "given").close()
    finally:
        os.umask(before)
    assert [(tmp_path / name).stat().st_mode & 0o777 for name in ("data", "given")] == [0o700, 0o750]
