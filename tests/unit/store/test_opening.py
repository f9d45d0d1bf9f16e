"""A file or folder that cannot be used: a sentence that says what, where and how to mend it."""

import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from pathlib import Path

import pytest

from adapters.contract import Reading, Stamp
from ingest.errors import StorageError
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file import opening
from ingest.store.file.integrity import check_integrity
from ingest.store.file.opening import FILE_NAME
from ingest.store.sqlite_store import SqliteStore

ROOT = Path(__file__).parents[3]
KEY = SeriesKey("attic", "temperature_c")
NOBODY = 65534
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can try this as another user, or mount")


def run(program: str, *arguments: object) -> str:
    """Run a program in a process of its own and give what it printed."""
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program), *map(str, arguments)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


# Becomes another user, where one is given, only after the imports: that one may not be allowed to read our interpreter.
TRY_TO_OPEN = """
    import os, sys
    from pathlib import Path
    from ingest.errors import StorageError
    from ingest.site.series import SeriesKey
    from ingest.store.sqlite_store import SqliteStore
    if len(sys.argv) > 3:
        os.setgroups([])
        os.setgid(int(sys.argv[3]))
        os.setuid(int(sys.argv[3]))
    try:
        with SqliteStore.open(Path(sys.argv[1]), read_only=sys.argv[2] == "True") as store:
            print(store.read.read(SeriesKey("attic", "temperature_c"), 0, 100).value.tolist())
    except StorageError as error:
        print(error)
"""


@pytest.mark.parametrize("read_only", [False, True])
def test_a_file_that_is_no_database(path, read_only) -> None:
    """A text file under the store's name is refused as what it is, and left as it was."""
    path.write_text("dear diary, " * 100)
    with pytest.raises(
        StorageError, match=r"lumberroom\.sqlite3: this is not a lumberroom store\. Name the right file"
    ):
        SqliteStore.open(path, read_only=read_only)
    assert path.read_text() == "dear diary, " * 100
    (sentence,) = check_integrity(path)
    assert "this is not a lumberroom store" in sentence


def test_another_programs_database(path) -> None:
    """An SQLite file of somebody else is refused and not turned into a store."""
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE recipe (name TEXT)")
    other.close()
    before = path.read_bytes()
    with pytest.raises(StorageError, match="another program's database"):
        SqliteStore.open(path)
    assert path.read_bytes() == before


def test_a_folder_that_is_not_there(tmp_path) -> None:
    """The missing folder is named; for reading, the missing store is."""
    with pytest.raises(StorageError, match=r"nowhere: this folder does not exist\. Make it"):
        SqliteStore.open(tmp_path / "nowhere" / "a.sqlite3")
    with pytest.raises(StorageError, match="there is no store here"):
        SqliteStore.open(tmp_path / "a.sqlite3", read_only=True)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_in_the_place_of_the_file(tmp_path) -> None:
    """Naming the data folder itself says which file in it is meant."""
    with pytest.raises(StorageError, match=r"this is a folder, not a store's file. Name the lumberroom\.sqlite3 in it"):
        SqliteStore.open(tmp_path)


def test_an_empty_file_becomes_a_store(path) -> None:
    """What a full disk or a careless touch leaves behind is no obstacle."""
    path.touch()
    with SqliteStore.open(path) as store:
        assert store.read.site() is None


def test_two_writers_cannot_share_a_store(store, path) -> None:
    """A second one, in this process or another, is told who holds it; a reader is let in; later the way is free."""
    with pytest.raises(StorageError, match=rf"another lumberroom \(process {os.getpid()}\) is writing this store"):
        SqliteStore.open(path)
    assert f"(process {os.getpid()}) is writing this store" in run(TRY_TO_OPEN, path, False)
    assert run(TRY_TO_OPEN, path, True) == "[]"
    store.close()
    assert run(TRY_TO_OPEN, path, False) == "[]"


def test_a_closed_store_says_so(store) -> None:
    """After close, which may be repeated, reading and writing are refused plainly."""
    store.close()
    store.close()
    with pytest.raises(StorageError, match="the store is closed"):
        store.read.site()
    with pytest.raises(StorageError, match="the store is closed"), store.transaction():
        pass


def test_a_store_opened_for_reading_does_not_write(store, put, path) -> None:
    """Its unit of work is refused, and it holds no right that would keep the writer out."""
    with SqliteStore.open(path, read_only=True) as looking:
        with pytest.raises(StorageError, match="opened for reading only"), looking.transaction():
            pass
        put([1], [20.0])
        assert len(looking.read.read(KEY, 0, 10)) == 1


def test_closing_leaves_one_file_with_everything_in_it(store, put, path) -> None:
    """The log is folded back, so that the one file can be copied away; lock and note beside it are not needed."""
    put([1], [20.0])
    store.close()
    assert sorted(file.name for file in path.parent.iterdir()) == [
        opening.FILE_NAME + end for end in ("", ".lock", ".newest")
    ]


@pytest.fixture
def others_path() -> Iterator[Path]:
    """Where another user may look for a store (pytest's own folders are for its user alone)."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        yield Path(folder) / opening.FILE_NAME


@as_root
def test_another_user_may_neither_write_nor_read(others_path, batch) -> None:
    """Each is told so in a sentence: a store is its owner's alone."""
    with SqliteStore.open(others_path) as store, store.transaction() as work:
        work.append(batch([1], [20.0]), heard_ms=1)
    others_path.with_name(others_path.name + ".lock").unlink()
    assert "this folder cannot be written. Make it writable" in run(TRY_TO_OPEN, others_path, False, NOBODY)
    assert "this user may not read the store" in run(TRY_TO_OPEN, others_path, True, NOBODY)
    others_path.parent.chmod(0o777)
    refusal = run(TRY_TO_OPEN, others_path, False, NOBODY)
    assert "the store cannot be opened. Check that the folder exists and that the user" in refusal


def mounted(options: str, folder: Path) -> bool:
    """Mount a small file system of memory there, if this machine lets us."""
    command = ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(folder)]
    return subprocess.run(command, check=False, capture_output=True).returncode == 0


@as_root
def test_media_that_cannot_be_written(tmp_path) -> None:
    """On a file system mounted read-only, writing is refused in a sentence and reading works."""
    folder = tmp_path / "card"
    folder.mkdir()
    if not mounted("size=4m", folder):
        pytest.skip("this machine lets nobody mount")
    try:
        with SqliteStore.open(folder / "a.sqlite3"):
            pass
        subprocess.run(["mount", "-o", "remount,ro", str(folder)], check=True)
        with pytest.raises(StorageError, match="this folder cannot be written"):
            SqliteStore.open(folder / "a.sqlite3")
        with SqliteStore.open(folder / "a.sqlite3", read_only=True) as store:
            assert store.read.extents() == []
    finally:
        subprocess.run(["umount", str(folder)], check=True)


def test_media_that_cannot_be_written_with_an_unfinished_log(tmp_path) -> None:
    """A card pulled from a running computer, mounted read-only: both files are to be copied, and it says which."""
    path = tmp_path / "made" / FILE_NAME
    path.parent.mkdir()
    store = SqliteStore.open(path)
    with store.transaction() as work:
        work.append(ReadingBatch.of([Reading("a", "rh_percent", 45.0, 1_780_000_000_000, Stamp.SENSOR)]), heard_ms=1)
    card = tmp_path / "card"
    card.mkdir()
    for name in (FILE_NAME, f"{FILE_NAME}-wal"):
        shutil.copy(path.with_name(name), card / name)
    store.close()
    done = subprocess.run(["mount", "--bind", card, card], check=False, capture_output=True)
    if done.returncode:
        pytest.skip("nothing may be mounted here")
    try:
        subprocess.run(["mount", "-o", "remount,ro,bind", card, card], check=True)
        with pytest.raises(StorageError, match=rf"Copy {FILE_NAME} and {FILE_NAME}-wal, both"):
            SqliteStore.open(card / FILE_NAME, read_only=True)
    finally:
        subprocess.run(["umount", card], check=True)
    with SqliteStore.open(card / FILE_NAME, read_only=True) as copied:
        assert copied.read.extents()[0].count == 1


def test_a_store_held_by_another_program_is_named_as_that(store, path) -> None:
    """A program that keeps the file locked beyond our patience is what the sentence is about."""
    store._writer.execute("PRAGMA busy_timeout = 50")
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    try:
        with (
            pytest.raises(StorageError, match=r"another program holds the store\. Close the program"),
            store.transaction(),
        ):
            pass
    finally:
        other.close()
    with store.transaction() as work:
        work.save_judgement("hall", {})
