"""Opening the store at the start: an older file brought up to date tells how far it is, and systemd waits for it."""

from __future__ import annotations

import asyncio
import json
import shutil
import socket
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.errors import DiskFullError, StorageError
from ingest.runtime import storeopening
from ingest.runtime.machine import logs
from ingest.runtime.machine.systemd import Systemd
from ingest.runtime.storeopening import ProgressTeller, once_there_is_room, open_store
from ingest.store.file.schema import Progress
from ingest.store.sqlite_store import SqliteStore

OLD = Path(__file__).parents[1] / "store" / "files" / "version_1.sqlite3"


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


def test_an_older_file_is_brought_up_to_date_with_word_of_it(
    tmp_path: Path, listener: Listener, capsys: pytest.CaptureFixture[str]
) -> None:
    """A file of the first edition: each step asks systemd for more time; the log says how far it is, begin and end."""
    logs.configure("json")
    folder = tmp_path / "data"
    folder.mkdir()
    shutil.copyfile(OLD, folder / "lumberroom.sqlite3")
    open_store(folder, listener.systemd).close()
    told = listener.heard()
    assert told[0] == "EXTEND_TIMEOUT_USEC=120000000\nSTATUS=bringing the store up to date, 0 %"
    assert told[-1].endswith("100 %")
    lines = [json.loads(line) for line in capsys.readouterr().err.splitlines()]
    said = {(line["event"], line["schema"], line["done"]) for line in lines}
    assert ("bringing the store up to date: do not switch off", 2, "0 %") in said
    assert ("the store is up to date", 2, "100 %") in said
    open_store(folder, listener.systemd).close()
    assert listener.heard() == []


def test_every_stretch_of_the_old_rows_is_told(tmp_path: Path) -> None:
    """Three hundred days in the rows of the first edition: shares rise stretch by stretch to all of it, bit for bit."""
    path = tmp_path / "lumberroom.sqlite3"
    shutil.copyfile(OLD, path)
    old = sqlite3.connect(path)
    rows = [(1, n * 3_600_000, 20.0 + n % 5, 0) for n in range(300 * 24)]
    with old:
        old.execute("DELETE FROM reading")
        old.execute("DELETE FROM amendment")
        old.executemany("INSERT INTO reading VALUES (?, ?, ?, ?)", rows)
        old.execute("UPDATE series SET count = 0, first_ms = NULL, last_ms = NULL, last_value = NULL")
        last = (len(rows), rows[-1][1], rows[-1][2])
        old.execute("UPDATE series SET count = ?, first_ms = 0, last_ms = ?, last_value = ? WHERE id = 1", last)
    old.close()
    told: list[Progress] = []
    with SqliteStore.open(path, tell=told.append) as store:
        shares = [one.share for one in told if one.version == 2]
        assert shares == sorted(shares)
        assert len(set(shares)) >= 5
        held = store.read.read(store.read.extents()[0].key, 0, 2**53)
        assert held.at_ms.tolist() == [row[1] for row in rows]
        assert held.value.tolist() == [row[2] for row in rows]
    fresh: list[Progress] = []
    SqliteStore.open(tmp_path / "new.sqlite3", tell=fresh.append).close()
    assert fresh == []


def test_the_log_is_not_flooded(listener: Listener, capsys: pytest.CaptureFixture[str]) -> None:
    """A hundred steps within a moment: systemd hears each, the log the first and the last."""
    logs.configure("json")
    teller = ProgressTeller(listener.systemd)
    for step in range(100):
        teller(Progress(2, "sealed_columns", step / 99))
        assert len(listener.heard()) == 1
    assert len(capsys.readouterr().err.splitlines()) == 2


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
