"""`lumberroom init [FILE]`: asks a few questions, or takes options, and writes a commented settings file."""

from __future__ import annotations

import asyncio
import json
import os
import sys
from pathlib import Path
from typing import Any, Final

import click

from ingest.cli.wiring_file import wiring_argument

PASSWORD: Final = "LUMBERROOM_MAIL_PASSWORD"  # noqa: S105 -- where it is, not what it is

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
    from ingest.cli.init_questions import ask, draft_of, kept_answers
    from ingest.cli.init_text import text_of
    from ingest.cli.new_file import refuse_existing, write_new
    from ingest.errors import LumberroomError
    from ingest.settings.reading import parse

    refuse_existing(file, force=force)  # before anybody answers questions in vain
    interactive = not no_input and sys.stdin.isatty()
    kept = kept_answers(file) if interactive else {}
    if kept:
        click.echo("Your earlier answers stand in the brackets.")
    try:
        answers = ask(given, kept, interactive=interactive)
        text = text_of(answers)
        wiring = parse(text, file)
        write_new(file, text, force=force)
    except (click.Abort, LumberroomError):
        if kept:
            _keep(draft_of(file), kept)
        raise
    draft_of(file).unlink(missing_ok=True)
    rooms, adapters = len(wiring.site.rooms), len(wiring.adapters)
    click.echo(f"Wrote {file}: {rooms} room{'s' * (rooms != 1)}, {adapters} adapter{'s' * (adapters != 1)}.")
    for caution in wiring.cautions:
        click.echo(f"  - {caution}")
    if answers.mail is not None and interactive and click.confirm("Send a test mail now?", default=True):
        _try_mail(file, login=answers.mail.login)
    click.echo(f"Look it over, then:\n  lumberroom check {file}\n  lumberroom run {file}")


def _keep(draft: Path, kept: dict[str, Any]) -> None:
    """Keep what was answered, so that nobody types it twice."""
    try:
        draft.touch(mode=0o600)
        draft.write_text(json.dumps(kept, ensure_ascii=False), encoding="utf-8")
    except OSError as error:
        click.echo(
            f"\nYour answers could not be kept ({error.strerror}): {json.dumps(kept, ensure_ascii=False)}", err=True
        )
    else:
        click.echo("\nYour answers are kept: run this again to go on.", err=True)


def _try_mail(file: Path, *, login: str) -> None:
    """Send a test mail as the settings file says; the password is asked for, used once and kept nowhere."""
    from ingest.cli.commands.notify import try_all
    from ingest.settings.reading import load

    if login and not os.environ.get(PASSWORD):
        os.environ[PASSWORD] = click.prompt(f"Password of {login} (not stored)", hide_input=True)
    if not asyncio.run(try_all(load(file), file)):
        click.echo("Mend [mail] in the file, and try again with: lumberroom notify --test", err=True)
    if login:
        click.echo(f"Put the password where the daemon finds it: the environment variable {PASSWORD}.")
