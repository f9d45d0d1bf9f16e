"""One store's file in the place of another: at whichever step the power goes, there is one of the two, whole."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from ingest.errors import StorageError
from ingest.store.file import doctor, replacing
from ingest.store.file.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore

ROOT = Path(__file__).parents[3]

CUT = """
import os, sys
from pathlib import Path
from ingest.store.file import doctor, replacing, restoring
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
    restoring.restore(target.with_name("copy.sqlite3"), target, stamp="x")
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
