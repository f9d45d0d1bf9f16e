"""Whether rollups of derived series were computed as they would be now: the same formulae, the same air pressure."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Final

from ingest.physics.derived import DERIVED
from ingest.site.series import SeriesKey
from ingest.store.series.view import View

EDITION: Final = 1
"""Raised whenever a formula of the derived quantities or the pairing of their parents changes."""


def note_for(pressure_kpa: float) -> str:
    """Give what is noted in the file about rollups computed now."""
    return f"{EDITION} {pressure_kpa!r}"


def noted(connection: sqlite3.Connection) -> str:
    """Give what is noted in the file."""
    return str(connection.execute("SELECT derived_as FROM state").fetchone()[0])


def usable(view: View, key: SeriesKey, pressure: Callable[[], float]) -> bool:
    """Say whether the rollups of a series may be used."""
    return key.quantity not in DERIVED or noted(view.connection) == note_for(pressure())


def renew(connection: sqlite3.Connection, note: str) -> None:
    """Drop every rollup of a derived series, mark all that there is as stale, and note how they are computed now."""
    connection.execute("UPDATE state SET derived_as = ?", (note,))
    marks = ",".join("?" * len(DERIVED))
    connection.execute(f"DELETE FROM rollup WHERE quantity IN ({marks})", tuple(DERIVED))  # noqa: S608 - marks
    connection.execute("DELETE FROM stale")
    connection.execute(
        "INSERT INTO stale SELECT sensor, min(first_ms), max(last_ms) FROM series WHERE count > 0 GROUP BY sensor"
    )
