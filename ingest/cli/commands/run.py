"""`lumberroom run [FILE]`: the daemon."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from ingest.cli.starting import LogForm, application, stay, staying_options
from ingest.cli.wiring_file import wiring_argument

if TYPE_CHECKING:
    from dashboards.services import Services
    from ingest.runtime.machine.signals import Stoppable

COMMAND: Final = ("run", 50, "Run the watch: read, store, judge, mail, show.")


@click.command(short_help="Run the watch: read, store, judge, mail, show.")
@wiring_argument
@staying_options
def run(file: Path, log_form: LogForm, verbose: bool) -> None:
    """Run the watch that FILE describes (lumberroom.toml in this folder unless given) until it is told to stop.

    It reads its adapters, stores every reading, judges rooms against their windows, sends mail, and serves the page.
    SIGTERM or Ctrl-C stops it in order within eight seconds; a second one at once. What is stored is safe either way.

    Check a file first with: lumberroom check FILE
    """
    from ingest.settings.reading import load

    wiring = load(file)

    def daemon() -> Stoppable:
        from ingest.runtime.daemon import Daemon

        return Daemon(wiring, app_factory=application, push_factory=push_application)

    stay(wiring, daemon, "lumberroom", log_form=log_form, verbose=verbose)


def push_application(services: Services) -> Any:
    """Make the application for devices that hand readings in, loaded when it is needed."""
    from dashboards.api.push_app import create_push_app

    return create_push_app(services)
