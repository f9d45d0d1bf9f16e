"""Whether rollups of derived series were computed as they would be now: the same formulae, the same air pressure."""

from __future__ import annotations

import functools
import sqlite3
import zlib
from collections.abc import Callable
from typing import Final

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import SeriesKey
from ingest.store.series.view import View

EDITION: Final = 1
"""Raised whenever the pairing of a reading with its parents changes. A changed formula is seen by itself."""


@functools.cache
def formulae() -> str:
    """Give a mark of what the formulae give for some air, to eight digits: another one when any of them changes."""
    temperature_c, rh_percent = (
        grid.ravel() for grid in np.meshgrid([-12.5, 3.25, 20.0, 31.0], [8.0, 35.0, 61.5, 97.0])
    )
    pressure_kpa = np.full(len(temperature_c), 98.7)
    table = [derived.compute(temperature_c, rh_percent, pressure_kpa) for derived in DERIVED.values()]
    text = " ".join(f"{value:.7e}" for column in table for value in np.asarray(column).tolist())
    return f"{zlib.crc32(text.encode('ascii')):08x}"


def note_for(pressure_kpa: float) -> str:
    """Give what is noted in the file about rollups computed now: edition, formulae, pressure."""
    return f"{EDITION}-{formulae()} {pressure_kpa!r}"


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
    connection.execute(f"DELETE FROM rollup WHERE quantity IN ({marks})", tuple(DERIVED))
    connection.execute("DELETE FROM stale")
    connection.execute(
        "INSERT INTO stale SELECT sensor, min(first_ms), max(last_ms) FROM series WHERE count > 0 GROUP BY sensor"
    )
