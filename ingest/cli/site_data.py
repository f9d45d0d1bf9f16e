"""The argument DATA of commands that work on a store: a data directory, the store's file in it, or a settings file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from ingest.settings.wiring import Units, Wiring

WIRING_SUFFIX = ".toml"
_DATABASE_SUFFIXES: Final = (".sqlite3", ".sqlite", ".db")
"""A name that is not there and ends so means a file; any other one a folder."""


class SiteData(NamedTuple):
    """Where a job's store is.  page: the daemon's page as the settings file has it; None where it is not told there.

    units: in which the settings file wants figures shown; None where no settings file is known for this store.
    """

    store: Path
    page: str | None = None
    units: Units | None = None


def site_data(data: Path) -> SiteData:
    """Say where the store is, the page, and the units.  Raises SettingsError for a settings file that is wrong."""
    if data.suffix == WIRING_SUFFIX and not data.is_dir():
        from ingest.settings.reading import load

        wiring = load(data)
        page = wiring.page
        host = f"[{page.listen}]" if ":" in page.listen else page.listen
        address = f"http://{host}:{page.port}/" if page.port else None
        return SiteData(store_file(wiring.data_directory), address, wiring.units)
    return SiteData(store_file(data), units=_units_wired_here(store_file(data)))


def store_named(data: Path) -> Path:
    """Give the store's file of a data directory or settings file, or itself.  Raises SettingsError as `site_data`."""
    if data.suffix == WIRING_SUFFIX and not data.is_dir():
        return site_data(data).store
    return store_file(data)


def store_file(data: Path) -> Path:
    """Give the store's file: DATA itself, or the one in it where DATA is a directory, there or not."""
    from ingest.store.file.opening import FILE_NAME

    is_file = data.is_file() or (not data.is_dir() and data.suffix in _DATABASE_SUFFIXES)
    return data if is_file else data / FILE_NAME


def _units_wired_here(store: Path) -> Units | None:
    """Give the units of the settings file in this folder, where it is that of this store."""
    from ingest.cli.wiring_file import DEFAULT_FILE
    from ingest.errors import SettingsError
    from ingest.settings.reading import load

    if not Path(DEFAULT_FILE).is_file():
        return None
    try:
        wiring: Wiring = load(Path(DEFAULT_FILE))
    except SettingsError:
        return None  # it was not asked for: what is wrong with it is for the commands that are given it
    same = store_file(wiring.data_directory).absolute().resolve() == store.absolute().resolve()
    return wiring.units if same else None
