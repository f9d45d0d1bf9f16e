"""One SQLite file, one unit of work, all SQL: `api` is the contract, `sqlite_store` the embedded store.

For reading from other programs: `with ingest.store.open_for_reading(path) as readings: ...` (see `reading`).
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ingest.store.reading import Readings


def open_for_reading(path: Path | str, *, pressure_kpa: float | None = None) -> Readings:
    """Open a store, by its file or its data folder, for looking only, also while the daemon writes it.

    pressure_kpa: air pressure for derived series where none is measured; None takes that of the site's elevation.
    Raises StorageError.
    """
    from ingest.store.reading import Readings

    return Readings(Path(path), pressure_kpa)
