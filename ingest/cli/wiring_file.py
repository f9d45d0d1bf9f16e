"""The settings file as an argument of commands."""

from __future__ import annotations

from pathlib import Path

import click

DEFAULT_FILE = "lumberroom.toml"

wiring_argument = click.argument(
    "file", type=click.Path(path_type=Path), default=DEFAULT_FILE, required=False, metavar="[FILE]"
)
"""The optional argument FILE; `lumberroom.toml` in the present folder unless given."""
