"""`lumberroom notify --test [FILE]`: tries the ways by which people are told, to the last step."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ingest.cli.wiring_file import wiring_argument

if TYPE_CHECKING:
    from ingest.notices.recipients import Recipient
    from ingest.runtime.notifying import Notifying
    from ingest.settings.wiring import Wiring

COMMAND: Final = ("notify", 30, "Try the ways by which people are told.")

SOME_FAILED = 5
"""The exit code where not everyone could be reached."""


@click.command(short_help="Try the ways by which people are told.")
@wiring_argument
@click.option("--test", "is_test", is_flag=True, required=True, help="Send everyone a test that tells of nothing.")
def notify(file: Path, is_test: bool) -> None:
    """Send a test to everyone whom FILE (lumberroom.toml in this folder unless given) would have told of a warning.

    Mails, web hooks, published messages and commands go out exactly as a warning would, by the same servers and logins,
    and say that nothing has happened. A mail carries a picture, and a link to try where [page] public_address is set;
    that link is opened from here as well, which needs the daemon to run. Each outcome is printed; "accepted" means that
    the other side has taken it over, so look whether it has arrived. Who would not be told just now, because of their
    hours, is told all the same. The exit code is 5 where not everyone could be reached.
    """
    from ingest.settings.reading import load

    wiring = load(file)
    if not asyncio.run(try_all(wiring, file)):
        raise SystemExit(SOME_FAILED)


async def try_all(wiring: Wiring, file: Path) -> bool:
    """Send everyone a test and print what became of it; say whether all were reached."""
    from ingest.clock import SystemClock
    from ingest.notices.channels.channel import Sent
    from ingest.runtime.notifying import Notifying

    notifying = Notifying(wiring, SystemClock())
    if not notifying.recipients:
        click.echo(f"{file} has no [mail], [[webhook]], [[publish]] or [[command]]: nobody would be told.", err=True)
        return False
    all_well = await _try_links(wiring, notifying)
    async for recipient, outcome in notifying.trial(wiring.site):
        if isinstance(outcome, Sent):
            click.echo(f"{_whom(recipient)}: accepted{', with a picture' if recipient.channel == 'mail' else ''}")
        else:
            all_well = False
            click.echo(f"{_whom(recipient)}: {outcome.reason}", err=True)
    return all_well


def _whom(recipient: Recipient) -> str:
    named = f" ({recipient.name})" if recipient.name else ""
    return f"{recipient.channel} to {recipient.address}{named}"


async def _try_links(wiring: Wiring, notifying: Notifying) -> bool:
    """Open a link as somebody who gets one would, and print what came of it; say whether it went well."""
    address = wiring.page.public_address
    if not address:
        click.echo("links: none go out, as [page] has no public_address; an alert says what to type instead")
        return True
    from ingest.runtime.link_trial import try_link

    await notifying.open_links()
    trouble = await try_link(notifying.links)
    if trouble:
        click.echo(f"links by {address}: {trouble}", err=True)
        return False
    click.echo(f"links by {address}: the page answers, and knows our signature")
    return True
