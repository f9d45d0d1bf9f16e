"""`lumberroom init [FILE]`: asks a few questions, or takes options, and writes a commented settings file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any, Final

import click

from ingest.cli.wiring_file import wiring_argument

COMMAND: Final = ("init", 20, "Ask a few questions and write a commented settings file.")


@click.command(short_help="Ask a few questions and write a commented settings file.")
@wiring_argument
@click.option("--name", metavar="NAME", help="What the site is called.")
@click.option("--time-zone", metavar="ZONE", help='IANA name, such as "Europe/Berlin".')
@click.option("--units", type=click.Choice(["si", "us"]), help="°C and metres, or °F and feet.")
@click.option("--elevation", type=float, metavar="NUMBER", help="Above sea level, in metres (us: feet).")
@click.option("--room", "rooms", multiple=True, metavar="TITLE", help="A room; may be given several times.")
@click.option("--holds", multiple=True, metavar="TEXT", help="What the room holds; one per --room, in order.")
@click.option(
    "--sensor", "sensors", multiple=True, metavar="ID", help="The room's air sensor; one per --room, in order."
)
@click.option(
    "--port", "ports", multiple=True, metavar="PATH", help="A serial port to read; may be given several times."
)
@click.option("--simulated", is_flag=True, help="Simulate the sensors, for trying it out without any.")
@click.option("--data", metavar="DIR", help="Where readings are kept; beside FILE unless it begins with /.")
@click.option("--mail-server", metavar="HOST", help="The mail server; without it nobody is mailed.")
@click.option("--mail-to", "mail_to", multiple=True, metavar="ADDRESS", help="Who is told; may be given several times.")
@click.option("--mail-from", metavar="ADDRESS", help="The sender's address.")
@click.option("--mail-login", metavar="LOGIN", help="The login at the mail server, if it wants one.")
@click.option("--no-input", is_flag=True, help="Ask nothing: take the options and the defaults.")
@click.option("--force", is_flag=True, help="Overwrite FILE if it is there.")
def init(file: Path, no_input: bool, force: bool, **given: Any) -> None:
    """Write a commented settings file with your first rooms to FILE (lumberroom.toml in this folder unless given).

    What is not given as an option is asked, with a default in brackets. The file that comes out passes
    `lumberroom check`; windows and everything else can be edited in it afterwards.
    """
    from ingest.cli.init_questions import ask
    from ingest.cli.init_text import text_of
    from ingest.cli.new_file import refuse_existing, write_new
    from ingest.settings.reading import parse

    refuse_existing(file, force=force)  # before anybody answers questions in vain
    answers = ask(given, interactive=not no_input and sys.stdin.isatty())
    text = text_of(answers)
    wiring = parse(text, file)
    write_new(file, text, force=force)
    rooms, adapters = len(wiring.site.rooms), len(wiring.adapters)
    click.echo(f"Wrote {file}: {rooms} room{'s' * (rooms != 1)}, {adapters} adapter{'s' * (adapters != 1)}.")
    for caution in wiring.cautions:
        click.echo(f"  - {caution}")
    click.echo(f"Look it over, then:\n  lumberroom check {file}\n  lumberroom run {file}")
