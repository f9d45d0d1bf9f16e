"""`lumberroom office [FILE]`: the dashboard and the silence watch of many sites, from a central engine."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ingest.cli.starting import LogForm, application, stay, staying_options

if TYPE_CHECKING:
    from ingest.runtime.machine.signals import Stoppable

COMMAND: Final = ("office", 60, "Show all sites from a central engine; mail when one is offline.")


@click.command(short_help="Show all sites from a central engine, and mail when one falls silent.")
@click.argument("file", type=click.Path(path_type=Path), default=Path("office.toml"), required=False)
@staying_options
@click.option("--check", is_flag=True, help="Check FILE, say what it would do, and end.")
def office(file: Path, log_form: LogForm, check: bool, verbose: bool) -> None:
    """Run the office that FILE describes (office.toml in this folder unless given) until it is told to stop.

    The sites forward to a central engine ([central] in their settings files). From that engine alone the office shows
    all their rooms, and mails when a site is offline: one that has lost power or network cannot say so itself. The
    sites go on judging their rooms and mailing about them by themselves.

    \b
    FILE needs:
      [office]   name = "Head office", time_zone = "Europe/Berlin"
      [central]  address = "http://engine.example.org:8428"
      [mail]     as in a site's settings file, if somebody shall be told
    """
    from ingest.settings.office import load_office

    wiring = load_office(file)
    if check:
        told = ", ".join(wiring.mail.recipients) if wiring.mail else "nobody"
        click.echo(f"{wiring.name}: reads {wiring.central.for_reading} ({wiring.central.kind}).")
        click.echo(f"A site without readings for {wiring.offline_after_s / 60:g} minutes is offline; {told} is mailed.")
        for caution in wiring.cautions:
            click.echo(f"Caution: {caution}")
        return

    def running() -> Stoppable:
        from ingest.runtime.office import Office

        return Office(wiring, app_factory=application)

    stay(wiring, running, "The lumberroom office", log_form=log_form, verbose=verbose)
