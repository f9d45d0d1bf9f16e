"""`lumberroom restore COPY DATA`: goes back to a copy that `lumberroom backup` made."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Final

import click

from ingest.cli.store_file import data_argument

COMMAND: Final = ("restore", 150, "Go back to a copy that backup made.")


@click.command(short_help="Go back to a copy that backup made.")
@click.argument("copy", type=click.Path(path_type=Path))
@data_argument
def restore(copy: Path, data: Path) -> None:
    """Put COPY, which `lumberroom backup` made, in the place of the store in DATA (its folder, file or settings file).

    The copy is looked through first, and stays where it is. The store that was there is kept beside it and its name
    told, so that readings since the backup can be had from it: `lumberroom export` there, `lumberroom import` here.
    Stop the daemon first.
    """
    from ingest.clock import SystemClock
    from ingest.store.file.copying import restore as put_back

    stamp = dt.datetime.fromtimestamp(SystemClock().now_ms() / 1000, dt.UTC).strftime("%Y%m%dT%H%M%SZ")
    done = put_back(copy, data, stamp=stamp)
    click.echo(f"{data} is what {copy} was.")
    if done.kept:
        click.echo(f"What was there before is kept as {done.kept}. It may be deleted when nothing is missed.")
