"""What `run` and `office` share: the options of a program that stays, its log, its pages, its end."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal, Protocol

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboards.services import Services
    from ingest.runtime.machine.signals import Stoppable

LogForm = Literal["auto", "json", "console"]


class Wired(Protocol):
    """What a wiring, a site's or an office's, has to tell at a start."""

    @property
    def cautions(self) -> Sequence[str]:
        """What is allowed and worth a second look."""
        ...

    def secrets(self) -> Sequence[str]:
        """Give what must stand in no log."""
        ...


def staying_options(command: Any) -> Any:
    """Give a command the options --log and --verbose."""
    verbose = click.option("--verbose", is_flag=True, help="Log also what is only of use when looking for a fault.")
    log = click.option(
        "--log",
        "log_form",
        type=click.Choice(["auto", "json", "console"]),
        default="auto",
        show_default=True,
        help="How the log on standard error looks; auto is plain on a terminal and JSON elsewhere.",
    )
    return log(verbose(command))


def stay(wiring: Wired, make: Callable[[], Stoppable], name: str, *, log_form: LogForm, verbose: bool) -> None:
    """Run until told to stop.  make: makes what runs.  name: what is said to be running, with its page."""
    from ingest.runtime.machine import logs

    logs.configure(log_form, verbose=verbose, secrets=wiring.secrets())
    for caution in wiring.cautions:
        logs.caution(caution)

    from ingest.runtime.machine.arenas import bound_arenas
    from ingest.runtime.machine.signals import run_until_signal

    def announce(address: str) -> None:
        click.echo(f"{name} is running. Page: {address}  (stop it with Ctrl-C)", err=True)

    bound_arenas()
    asyncio.run(run_until_signal(make(), announce))


def application(services: Services) -> Any:
    """Make the web application, loaded when it is needed and no sooner."""
    from dashboards.app import create_app

    return create_app(services)
