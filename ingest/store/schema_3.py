"""The third schema: tables of the parts that came after the sealed columns, each written down beside its part."""

from __future__ import annotations

import sqlite3
from typing import Final

from ingest.store import forwarding, telling

TABLES: Final = (*forwarding.TABLES, *telling.TABLES)


def people_and_engines(connection: sqlite3.Connection) -> None:
    """Make the tables of version 3."""
    for statement in TABLES:
        connection.execute(statement)
