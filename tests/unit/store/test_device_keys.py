"""Keys of devices in a real store's file: kept as hashes, given and revoked beside the one writer."""

from __future__ import annotations

import hashlib
import sqlite3
from pathlib import Path

import pytest

from ingest.errors import InputError, RefusedError, StorageError
from ingest.store.file.opening import beside_the_writer
from ingest.store.record import device_keys
from ingest.store.record.device_keys import DeviceKey, new_key
from ingest.store.sqlite_store import SqliteStore

NOW_MS = 1_790_000_000_000


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A store's file that a writer holds open for the whole test."""
    return tmp_path / "lumberroom.sqlite3"


def given(path: Path, name: str, *sensors: str) -> str:
    """Give a device a key, as the command does."""
    key = new_key()
    with beside_the_writer(path) as connection:
        device_keys.add(connection, key, DeviceKey(name, sensors, NOW_MS, "tests"))
    return key


def test_a_key_is_found_while_it_holds_and_stands_in_no_file(path: Path) -> None:
    """Given while a writer has the store open: found at once, gone at once when revoked; only its SHA-256 is kept."""
    with SqliteStore.open(path) as store:
        key = given(path, "loft", "loft-1", "cellar-*")
        assert store.read.device_key(key) == DeviceKey("loft", ("loft-1", "cellar-*"), NOW_MS, "tests")
        assert store.read.device_key(key + "x") is None
        with store.transaction() as work:
            work.note_keys_used({"loft": NOW_MS + 5, "nobody": 1})
            work.note_keys_used({"loft": NOW_MS + 4})
        assert store.read.device_keys()[0].last_used_ms == NOW_MS + 5
        with beside_the_writer(path) as connection:
            device_keys.revoke(connection, "loft", at_ms=NOW_MS + 9)
        assert store.read.device_key(key) is None
        assert store.read.device_keys()[0].revoked_ms == NOW_MS + 9
    contents = b"".join(file.read_bytes() for file in path.parent.iterdir())
    assert key.encode() not in contents
    assert hashlib.sha256(key.encode()).hexdigest().encode() in contents


def test_a_name_stands_for_one_key_at_a_time(path: Path) -> None:
    """A second key of a name that holds is refused with the remedy; after revoking, the name is free again."""
    SqliteStore.open(path).close()
    first = given(path, "loft", "loft-1")
    with pytest.raises(InputError, match="a key of that name already"):
        given(path, "loft", "*")
    with beside_the_writer(path) as connection:
        device_keys.revoke(connection, "loft", at_ms=NOW_MS)
    second = given(path, "loft", "loft-2")
    with SqliteStore.open(path, read_only=True) as store:
        assert store.read.device_key(first) is None
        assert store.read.device_key(second) is not None
        assert [(one.name, one.revoked_ms) for one in store.read.device_keys()] == [("loft", None), ("loft", NOW_MS)]


def test_what_cannot_be_is_said(path: Path, tmp_path: Path) -> None:
    """No store, another program's file, and a key that there is not: a sentence each, and nothing is changed."""
    with pytest.raises(StorageError, match="there is no store here"), beside_the_writer(path):
        pass
    other = tmp_path / "other.sqlite3"
    with sqlite3.connect(other) as connection:
        connection.execute("CREATE TABLE mine (a)")
    connection.close()
    with pytest.raises(StorageError, match="not a lumberroom store"), beside_the_writer(other):
        pass
    SqliteStore.open(path).close()
    with pytest.raises(RefusedError, match="no such key"), beside_the_writer(path) as connection:
        device_keys.revoke(connection, "loft", at_ms=NOW_MS)


def test_keys_are_long_and_each_its_own() -> None:
    """256 bits each (RFC 4648 text of 32 octets), and never the same twice."""
    keys = {new_key() for _ in range(200)}
    assert len(keys) == 200
    assert all(key.startswith("lr-") and len(key) == 3 + 43 for key in keys)
