"""The argument DATA of commands that work on a store: its folder, its file, or the settings file that names it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click


def _to_file(_context: click.Context, _parameter: click.Parameter, given: Path) -> Path:
    from ingest.cli.site_data import store_named

    return store_named(given)


def data_argument(command: Any) -> Any:
    """Give a command the argument DATA as the path of the store's file."""
    return click.argument("data", type=click.Path(path_type=Path), callback=_to_file)(command)
