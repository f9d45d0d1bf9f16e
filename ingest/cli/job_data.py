"""The argument DATA of `lumberroom incidents`: a wiring file, a data directory, or the store's file in it."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

WIRING_SUFFIX = ".toml"


class JobData(NamedTuple):
    """Where a job's store is.  page: the daemon's page as the wiring file has it; None where it is not told there."""

    store: Path
    page: str | None = None


def job_data(data: Path) -> JobData:
    """Say where the store is, and the page.  Raises SettingsError for a wiring file that is wrong."""
    from ingest.store.opening import FILE_NAME

    if data.suffix == WIRING_SUFFIX and not data.is_dir():
        from ingest.runtime.settings import load

        wiring = load(data)
        page = wiring.page
        host = f"[{page.listen}]" if ":" in page.listen else page.listen
        return JobData(wiring.data_directory / FILE_NAME, f"http://{host}:{page.port}/" if page.port else None)
    return JobData(data / FILE_NAME if data.is_dir() else data)
