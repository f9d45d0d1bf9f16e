"""`lumberroom check [FILE]`: validates a wiring file and says in words what it would watch."""

from __future__ import annotations

from pathlib import Path

import click

from ingest.cli.wiring_file import wiring_argument


@click.command(short_help="Check a wiring file and say in words what it would watch.")
@wiring_argument
def check(file: Path) -> None:
    """Check FILE (lumberroom.toml in this folder unless given) and say in words what it would watch.

    Nothing is opened, stored or sent. Every mistake is told at once, with its line, and the exit code is 2. Cautions
    (what is allowed but worth a second look) leave the exit code at 0.
    """
    from ingest.settings.reading import load
    from ingest.settings.words import in_words
    from ingest.store.file.checkpoints import caution

    wiring = load(file)
    sqlite = caution()
    for line in in_words(wiring):
        click.echo(line)
    cautions = [*wiring.cautions, *([sqlite] if sqlite else [])]
    if cautions:
        click.echo("\nWorth a second look:")
        for one in cautions:
            click.echo(f"  - {one}")
    click.echo(f"\n{file} is sound. Start it with: lumberroom run {file}")
