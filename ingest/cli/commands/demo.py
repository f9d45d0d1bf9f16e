"""`lumberroom demo`: the invented site, with no configuration."""

from __future__ import annotations

import asyncio
import logging
import tempfile
from pathlib import Path
from typing import Any, Final

import click

from dashboards.services import Services
from ingest.settings.wiring import DEFAULT_PORT

COMMAND: Final = ("demo", 10, "Show an invented site with three rooms; no configuration needed.")

DEFAULT_SPEED = 60.0


@click.command()
@click.option(
    "--data",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the invented readings; kept, and gone on with when named again. "
    "[default: a new temporary folder, deleted when you stop]",
)
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    default=DEFAULT_PORT,
    show_default=True,
    help="Port of the page on this computer; 0 takes any free one.",
)
@click.option(
    "--speed",
    type=click.FloatRange(1.0, 2000.0),
    default=DEFAULT_SPEED,
    show_default=True,
    help="How many times as fast as here time runs there.",
)
@click.option("--no-browser", is_flag=True, help="Do not open the page in a browser.")
@click.option("--verbose", is_flag=True, help="Show the daemon's log as well.")
def demo(data: Path | None, port: int, speed: float, no_browser: bool, verbose: bool) -> None:
    """Show an invented site with three rooms; no configuration needed.

    A house being finished with oak boards acclimating in its front room, an unheated timber store, and a joiner's
    shop: simulated sensors with believable physics, read by the real daemon. Sixty days are already stored when the
    page opens. Soon after, the dehumidifier in the house stops: the front room goes out of range, an incident
    opens, and a mail is sent. A mail catcher inside the demonstration receives it and the page shows it; nothing
    leaves this computer.

    \b
    Time runs faster there than here (--speed). At the usual 60:
      about 15 s     the dehumidifier stops
      about 1 min    the room's air goes out of range
      2 to 3 min     an hour outside has passed there: the incident opens, the mail comes
      about 8 min    the machine runs again; the room returns, the incident closes

    It depends on the season; what will happen when is worked out and printed at the start. Stop with Ctrl+C.
    """
    # Imported here: the page's framework takes a second, and --help must not wait for it.
    from ingest.demo.show import Options, show
    from ingest.runtime.machine import logs

    logs.configure("console")
    if not verbose:
        logging.getLogger().setLevel(logging.WARNING)
    if data is not None:
        asyncio.run(show(Options(data.resolve(), True, port, speed, not no_browser), _app_factory, click.echo))
        return
    with tempfile.TemporaryDirectory(prefix="lumberroom-demo-") as folder:
        asyncio.run(show(Options(Path(folder), False, port, speed, not no_browser), _app_factory, click.echo))


def _app_factory(services: Services) -> Any:
    from dashboards.app import create_app

    return create_app(services)
