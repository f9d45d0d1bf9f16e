"""The third schema: tables of the parts that came after the sealed columns, each written down beside its part."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Final

from ingest.store.record import device_keys, forwarding, incidents, telling
from ingest.store.series import thinned

TABLES: Final = (
    *forwarding.TABLES,
    *thinned.TABLES,
    *device_keys.TABLES,
    *incidents.TABLES,
    *telling.TABLES,
)


def people_and_engines(connection: sqlite3.Connection, tell: Callable[[float], None]) -> None:
    """Make the tables of version 3."""
    for statement in TABLES:
        connection.execute(statement)
