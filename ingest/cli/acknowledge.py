"""`lumberroom acknowledge INCIDENT [FILE]`: takes an incident in hand, or asks for quiet, from the command line."""

from __future__ import annotations

import getpass
import http.client
from pathlib import Path
from typing import TYPE_CHECKING

import click

from ingest.cli.wiring_file import wiring_argument
from ingest.errors import RefusedError, TransientError

if TYPE_CHECKING:
    from ingest.notices.links import DeedKind
    from ingest.runtime.wiring import Wiring

VALID_MS = 60_000
TIMEOUT_S = 15.0


@click.command(short_help="Take an incident in hand, or ask for quiet about it.")
@click.argument("incident")
@wiring_argument
@click.option("--quiet-hours", type=click.Choice(["4", "24"]), help="Ask for no further notices for so many hours.")
def acknowledge(incident: str, file: Path, quiet_hours: str | None) -> None:
    """Take INCIDENT (its id, as the notice gives it) in hand, so that nobody else is told for want of an answer.

    The running daemon of FILE (lumberroom.toml in this folder unless given) is asked over its page's address; who may
    read the key in its data directory may do so. What was done stands in the record under your user name.
    """
    from ingest.notices.links import DeedKind
    from ingest.runtime.settings import load

    kind = {"4": DeedKind.QUIET_4_HOURS, "24": DeedKind.QUIET_24_HOURS}.get(quiet_hours or "", DeedKind.ACKNOWLEDGE)
    wiring = load(file)
    _check(wiring, incident)
    status = _ask(wiring, incident, kind)
    if status != 200:
        raise RefusedError(f"the daemon did not do it (answer {status})", where=incident, mend="Its log says why.")
    done = f"No further notices for {quiet_hours} hours." if quiet_hours else "You have taken it in hand."
    click.echo(f"{incident}: {done}")


def _check(wiring: Wiring, incident: str) -> None:
    """Raise RefusedError for an incident that is not there or is over."""
    from ingest.store.opening import FILE_NAME
    from ingest.store.sqlite_store import SqliteStore

    with SqliteStore.open(wiring.data_directory / FILE_NAME, read_only=True) as store:
        found = store.read.incident(incident)
    if found is None:
        raise RefusedError("there is no such incident", where=incident, mend="Copy its id from the notice, whole.")
    if not found.is_open:
        raise RefusedError("this is over already; there is nothing left to do about it", where=incident)


def _ask(wiring: Wiring, incident: str, kind: DeedKind) -> int:
    """Have the running daemon do it; give its answer's status. Raises TransientError where none is running."""
    from ingest.clock import SystemClock
    from ingest.notices.links import PATH, Deed, Links, key_of

    until_ms = SystemClock().now_ms() + VALID_MS
    token = Links(key_of(wiring.data_directory)).sign(Deed(incident, kind, _who(), until_ms))
    page = wiring.page
    connection = http.client.HTTPConnection(page.listen, page.port, timeout=TIMEOUT_S)
    try:
        connection.request("POST", f"{PATH}{token}", headers={"Host": f"localhost:{page.port}", "Content-Length": "0"})
        return connection.getresponse().status
    except (OSError, http.client.HTTPException) as error:
        raise TransientError(
            f"no daemon answers ({error})", where=f"{page.listen}:{page.port}", mend="Start it: lumberroom run"
        ) from error
    finally:
        connection.close()


def _who() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "unknown user"
