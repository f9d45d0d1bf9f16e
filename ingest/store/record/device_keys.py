"""Keys by which devices hand readings in over HTTP: what each may write, when it was used last; never the key itself.

A key is 256 random bits, and only its SHA-256 is kept. A slow hash (one made for passwords) would add nothing: it is
there to make guessing a guessable word dear, and 2^256 keys cannot be tried however fast one try is. It would cost,
though, on every push, on a small computer, and for every stranger who sends rubbish.

Keys are given and revoked by a command while the daemon runs (`opening.beside_the_writer`).
"""

from __future__ import annotations

import hashlib
import json
import secrets
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from ingest.errors import InputError, RefusedError
from ingest.store.file.sums import SOUND, sound

KEY_BYTES: Final = 32
MARK: Final = "lr-"
"""How a key begins, so that one that got into a file by mistake can be found."""

_COLUMNS: Final = f"SELECT name, sensors, made_ms, made_by, last_used_ms, revoked_ms FROM {sound('device_key')}"


@dataclass(frozen=True, slots=True)
class DeviceKey:
    """What is known of a key.  sensors: what it may write, names or beginnings with a * behind.  Instants: UTC ms."""

    name: str
    sensors: tuple[str, ...]
    made_ms: int
    made_by: str
    last_used_ms: int | None = None
    revoked_ms: int | None = None


def new_key() -> str:
    """Make a key: 256 random bits as text that fits a bearer token (RFC 6750, section 2.1)."""
    return MARK + secrets.token_urlsafe(KEY_BYTES)


def hash_of(key: str) -> str:
    """Give what is kept of a key."""
    return hashlib.sha256(key.encode("utf-8")).hexdigest()


def find(connection: sqlite3.Connection, key: str) -> DeviceKey | None:
    """Give what is known of a key that holds, or None.

    Found by its hash through an index: how long that takes tells about the hash of what was sent, from which nobody
    comes nearer to a key; so there is nothing here that would have to be compared in constant time.
    """
    row = connection.execute(f"{_COLUMNS} WHERE hash = ? AND revoked_ms IS NULL", (hash_of(key),)).fetchone()
    return None if row is None else _of(row)


def listed(connection: sqlite3.Connection) -> list[DeviceKey]:
    """Give all keys there ever were, those that hold first, by name."""
    rows = connection.execute(f"{_COLUMNS} ORDER BY revoked_ms IS NOT NULL, name, number")
    return [_of(row) for row in rows]


def add(connection: sqlite3.Connection, key: str, known: DeviceKey) -> None:
    """Write a new key down. Raises InputError when one of that name holds already."""
    row = (known.name, hash_of(key), json.dumps(known.sensors), known.made_ms, known.made_by)
    try:
        connection.execute("INSERT INTO device_key (name, hash, sensors, made_ms, made_by) VALUES (?, ?, ?, ?, ?)", row)
    except sqlite3.IntegrityError:
        raise InputError(
            "there is a key of that name already",
            where=known.name,
            mend=f"Choose another name, or revoke that one first: lumberroom device-key revoke {known.name}",
        ) from None


def revoke(connection: sqlite3.Connection, name: str, *, at_ms: int) -> None:
    """Let a key hold no longer, from now on. Raises RefusedError when none of that name holds."""
    changed = connection.execute(
        "UPDATE device_key SET revoked_ms = ? WHERE name = ? AND revoked_ms IS NULL", (at_ms, name)
    )
    if changed.rowcount == 0:
        raise RefusedError("there is no such key", where=name, mend="See them all: lumberroom device-key list")


def note_used(connection: sqlite3.Connection, used_ms: Mapping[str, int]) -> None:
    """Note when keys were used last, by name; an instant before the noted one changes nothing."""
    connection.executemany(
        "UPDATE device_key SET last_used_ms = max(coalesce(last_used_ms, 0), ?) "
        f"WHERE name = ? AND revoked_ms IS NULL AND {SOUND['device_key']}",
        [(at_ms, name) for name, at_ms in used_ms.items()],
    )


def _of(row: Sequence[object]) -> DeviceKey:
    name, sensors, made_ms, made_by, last_used_ms, revoked_ms = row
    assert isinstance(sensors, str)
    return DeviceKey(name, tuple(json.loads(sensors)), made_ms, made_by, last_used_ms, revoked_ms)  # type: ignore[arg-type]
