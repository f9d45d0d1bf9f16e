"""`lumberroom check [FILE]`: validates a settings file and says in words what it would watch."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ingest.cli.wiring_file import wiring_argument

if TYPE_CHECKING:
    from ingest.settings.wiring import Wiring

COMMAND: Final = ("check", 40, "Check a settings file and say in words what it would watch.")


@click.command(short_help="Check a settings file and say in words what it would watch.")
@wiring_argument
def check(file: Path) -> None:
    """Check FILE (lumberroom.toml in this folder unless given) and say in words what it would watch.

    Nothing is stored or sent; where there is a store already, its site setup is compared with the file. Every mistake
    is told at once, with its line, and the exit code is 2. Cautions (what is allowed but worth a second look) leave the
    exit code at 0.
    """
    from ingest.settings.reading import load
    from ingest.settings.words import in_words
    from ingest.store.file.checkpoints import caution

    wiring = load(file)
    sqlite = caution()
    for line in in_words(wiring):
        click.echo(line)
    if differing := _differing(wiring):
        click.echo("\nThe site setup in use differs from this file, and it is the site setup that holds:")
        for one in differing:
            click.echo(f"  - {one}")
        click.echo(f"To take over what the file says: lumberroom site apply {file}")
    cautions = [*wiring.cautions, *_ports_away(wiring), *([sqlite] if sqlite else [])]
    if cautions:
        click.echo("\nWorth a second look:")
        for one in cautions:
            click.echo(f"  - {one}")
    click.echo(f"\n{file} is sound. Start it with: lumberroom run {file}")


def _differing(wiring: Wiring) -> list[str]:
    """Say in what the file says otherwise than the store, where there is one that can be read."""
    from ingest.cli.site_data import store_file
    from ingest.errors import LumberroomError
    from ingest.site.editing import differences
    from ingest.store.sqlite_store import SqliteStore

    path = store_file(wiring.data_directory)
    if not path.is_file():
        return []
    try:
        with SqliteStore.open(path, read_only=True) as store:
            stored = store.read.site()
    except LumberroomError as error:
        return [f"this cannot be told, for the store cannot be read: {error}"]
    return [] if stored is None else differences(stored, wiring.site)


def _ports_away(wiring: Wiring) -> list[str]:
    """Say which serial ports are not there now."""
    away = []
    for adapter in wiring.adapters:
        port = adapter.settings.get("port")
        if isinstance(port, str) and port.startswith("/") and not Path(port).exists():
            away.append(f'The adapter "{adapter.name}" reads {port}, which is not there now: is it plugged in?')
    return away
