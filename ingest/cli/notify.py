"""`lumberroom notify --test [FILE]`: tries the ways by which people are told."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.cli.wiring_file import wiring_argument

if TYPE_CHECKING:
    from ingest.runtime.wiring import Wiring

SOME_FAILED = 5
"""The exit code where not everyone could be reached."""


@click.command(short_help="Try the ways by which people are told.")
@wiring_argument
@click.option("--test", "is_test", is_flag=True, required=True, help="Send everyone a test that tells of nothing.")
def notify(file: Path, is_test: bool) -> None:
    """Send a test to everyone whom FILE (lumberroom.toml in this folder unless given) would have told of a warning.

    Mails and web hooks go out exactly as a warning would, by the same servers and logins, and say that nothing has
    happened. Each outcome is printed; "accepted" means that the other side has taken it over, so look whether it has
    arrived. The daemon may run meanwhile. The exit code is 5 where not everyone could be reached.
    """
    from ingest.runtime.settings import load

    wiring = load(file)
    if wiring.mail is None and not wiring.webhooks:
        click.echo(f"{file} has no [mail] and no [[webhook]]: nobody would be told.", err=True)
        raise SystemExit(SOME_FAILED)
    if not asyncio.run(_try_all(wiring)):
        raise SystemExit(SOME_FAILED)


async def _try_all(wiring: Wiring) -> bool:
    """Send everyone a test and print what became of it; say whether all were reached."""
    from ingest.clock import SystemClock
    from ingest.notices.channel import Sent
    from ingest.runtime.notifying import Notifying

    all_well = True
    async for recipient, outcome in Notifying(wiring, SystemClock()).trial(wiring.site):
        if isinstance(outcome, Sent):
            click.echo(f"{recipient.channel} to {recipient.address}: accepted")
        else:
            all_well = False
            click.echo(f"{recipient.channel} to {recipient.address}: {outcome.reason}", err=True)
    return all_well
