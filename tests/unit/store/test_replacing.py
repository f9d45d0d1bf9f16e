"""One store's file in the place of another: at whichever step the power goes, there is one of the two, whole."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from ingest.errors import StorageError
from ingest.store.file import doctor, replacing
from ingest.store.file.copying import restore
from ingest.store.file.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore

ROOT = Path(__file__).parents[3]

CUT = """
import os, sys
from pathlib import Path
from ingest.store.file import copying, doctor, replacing
left = int(sys.argv[1])
def dying(real):
    def call(*given, **named):
        global left
        left -= 1
        if left < 0:
            os._exit(9)  # the power goes before this step
        return real(*given, **named)
    return call
for name in ("rename", "unlink", "hardlink_to"):
    setattr(Path, name, dying(getattr(Path, name)))
replacing.to_disk = dying(replacing.to_disk)
target = Path(sys.argv[2])
if sys.argv[3] == "restore":
    copying.restore(target.with_name("copy.sqlite3"), target, stamp="x")
else:
    doctor.mend(target)
"""


def cut(path: Path, step: int, what: str) -> bool:
    """Begin a replacement in another process, whose power goes before a step; say whether it went."""
    done = subprocess.run([sys.executable, "-c", CUT, str(step), path, what], cwd=ROOT, check=False)
    assert done.returncode in (0, 9)
    return done.returncode == 9


def filled(path: Path, batch: object, count: int) -> None:
    """A store of so many readings, some of them in its log only, as a crash leaves it."""
    with SqliteStore.open(path) as store, store.transaction() as work:
        work.append(batch(np.arange(count), np.arange(float(count))), heard_ms=0)


def test_going_back_to_a_copy_leaves_one_or_the_other(tmp_path, batch) -> None:
    """Forty readings before, a hundred in the copy: the next start has the one or the other, whole, and says so."""
    cuts, seen = 0, set()
    for step in range(40):
        folder = tmp_path / str(step)
        folder.mkdir()
        path = folder / "lumberroom.sqlite3"
        filled(path, batch, 100)
        with SqliteStore.open(path) as store:
            store.backup(folder / "copy.sqlite3")
        path.unlink()
        filled(path, batch, 40)
        went = cut(path, step, "restore")
        if replacing.is_cut_short(path):
            with pytest.raises(StorageError, match="when the power went"):
                SqliteStore.open(path, read_only=True)
        with SqliteStore.open(path) as store:
            seen.add(store.read.extents()[0].count)
        assert check_integrity(path) == []
        cuts += went
        if not went:
            break
    assert cuts >= 6
    assert seen == {40, 100}


def test_mending_a_broken_file_leaves_one_or_the_other(tmp_path, batch) -> None:
    """A page of the file broken: however often the power goes meanwhile, what could be read is there in the end."""
    whole = None
    for step in (1000, *range(60)):  # the first time the power stays
        folder = tmp_path / str(step)
        folder.mkdir()
        path = folder / "lumberroom.sqlite3"
        filled(path, batch, 4000)
        with path.open("r+b") as file:
            file.seek(2048 * 3)  # a table's first page
            file.write(b"\xff" * 100)
        went = cut(path, step, "mend")
        for broken in (*folder.glob("*.broken"), *folder.glob("*.rebuilt")) if went else ():
            assert path.exists() or replacing.is_cut_short(path)
            broken.unlink()
        doctor.mend(path)
        with SqliteStore.open(path) as store:
            told = store.read.extents(), store.read.history("site")
        whole = whole or told
        assert told == whole
        if not went and step < 1000:
            break
    assert step >= 5


def test_nobody_else_may_read_a_store(tmp_path, batch) -> None:
    """The file, its log, its index, its lock, its note and a copy: for the owner only, whatever the umask."""
    before = os.umask(0)
    try:
        path = tmp_path / "lumberroom.sqlite3"
        with SqliteStore.open(path) as store:
            with store.transaction() as work:
                work.append(batch([1], [2.0]), heard_ms=0)
            store.backup(tmp_path / "copy.sqlite3")
            made = list(tmp_path.iterdir())
            assert len(made) == 6
            assert {file.name: file.stat().st_mode & 0o777 for file in made if file.stat().st_mode & 0o077} == {}
    finally:
        os.umask(before)


class Looking(threading.Thread):
    """Somebody who looks at a folder all the time, and notes the rights of all files that ever were in it."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.seen: dict[str, int] = {}
        self._folder, self._ending = folder, threading.Event()

    def run(self) -> None:
        while not self._ending.is_set():
            for file in self._folder.iterdir():
                with contextlib.suppress(FileNotFoundError):
                    mode = file.stat().st_mode & 0o777
                    self.seen[file.name] = self.seen.get(file.name, 0) | mode

    def __enter__(self) -> Looking:
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self.join()


def test_a_copy_on_its_way_is_for_its_owner_only(tmp_path, batch) -> None:
    """Of a backup and of what restoring puts in place: the unfinished file too, from its first moment on."""
    before = os.umask(0)
    try:
        path, copy = tmp_path / "lumberroom.sqlite3", tmp_path / "copy.sqlite3"
        with SqliteStore.open(path) as store:
            for number in range(40):
                with store.transaction() as work:
                    work.append(batch(np.arange(2000) + 2000 * number, np.arange(2000) / 7), heard_ms=0)
            with Looking(tmp_path) as looking:
                store.backup(copy, pages_at_once=1)
        with Looking(tmp_path) as again:
            restore(copy, path, stamp="x")
        assert "copy.sqlite3.unfinished" in looking.seen
        assert "lumberroom.sqlite3.unfinished" in again.seen
        for name, mode in (looking.seen | again.seen).items():
            assert mode & 0o077 == 0, name
    finally:
        os.umask(before)
