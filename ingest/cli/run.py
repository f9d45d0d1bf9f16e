"""`lumberroom run [FILE]`: the daemon."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from ingest.cli.wiring_file import wiring_argument

if TYPE_CHECKING:
    from dashboards.services import Services


@click.command(short_help="Run the watch: read, store, judge, mail, show.")
@wiring_argument
@click.option(
    "--log",
    "log_form",
    type=click.Choice(["auto", "json", "console"]),
    default="auto",
    show_default=True,
    help="How the log on standard error looks; auto is plain on a terminal and JSON elsewhere.",
)
@click.option("--verbose", is_flag=True, help="Log also what is only of use when looking for a fault.")
def run(file: Path, log_form: Literal["auto", "json", "console"], verbose: bool) -> None:
    """Run the watch that FILE describes (lumberroom.toml in this folder unless given) until it is told to stop.

    It reads its adapters, stores every reading, judges rooms against their windows, sends mail, and serves the page.
    SIGTERM or Ctrl-C stops it in order within eight seconds; a second one at once. What is stored is safe either way.

    Check a file first with: lumberroom check FILE
    """
    from ingest.runtime import logs
    from ingest.runtime.settings import load

    wiring = load(file)
    logs.configure(log_form, verbose=verbose, secrets=wiring.secrets())

    from ingest.runtime.arenas import bound_arenas
    from ingest.runtime.daemon import Daemon
    from ingest.runtime.signals import run_until_signal

    for caution in wiring.cautions:
        logs.caution(caution)
    bound_arenas()
    asyncio.run(run_until_signal(Daemon(wiring, app_factory=application, push_factory=push_application), _announce))


def application(services: Services) -> Any:
    """Make the web application, loaded when it is needed and no sooner."""
    from dashboards.app import create_app

    return create_app(services)


def push_application(services: Services) -> Any:
    """Make the application for devices that hand readings in, loaded when it is needed."""
    from dashboards.push_app import create_push_app

    return create_push_app(services)


def _announce(address: str) -> None:
    click.echo(f"lumberroom is running. Page: {address}  (stop it with Ctrl-C)", err=True)
