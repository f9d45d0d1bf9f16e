"""The argument DATA of commands that work on a store: its folder, or its file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ingest.store.opening import FILE_NAME


def _to_file(_context: click.Context, _parameter: click.Parameter, given: Path) -> Path:
    return given / FILE_NAME if given.is_dir() else given


def data_argument(command: Any) -> Any:
    """Give a command the argument DATA as the path of the store's file."""
    return click.argument("data", type=click.Path(path_type=Path), callback=_to_file)(command)
