"""`lumberroom backup DATA FILE`: a copy of the store while everything goes on."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import click

from ingest.cli.store_file import data_argument

COMMAND: Final = ("backup", 140, "Copy the store to a new file while everything goes on.")


@click.command(short_help="Copy the store to a new file while everything goes on.")
@data_argument
@click.argument("file", type=click.Path(path_type=Path))
def backup(data: Path, file: Path) -> None:
    """Copy the store in DATA (its folder or its file) to the new FILE.

    The copy is one state of the store, and appears whole or not at all; the daemon goes on meanwhile. `lumberroom
    restore` goes back to it.
    """
    from ingest.store.file.copying import backup as copy
    from ingest.store.file.integrity import check_integrity

    copy(data, file)
    faults = check_integrity(file)
    for fault in faults:
        click.echo(fault, err=True)
    if faults:
        click.echo(f"{file} was written, but what it was copied from is damaged: see lumberroom doctor.", err=True)
        click.get_current_context().exit(3)
    click.echo(f"{file} holds the whole store, and is sound.")
