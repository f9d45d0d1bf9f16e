"""The actions of `lumberroom incidents`: written to the store, or handed to the daemon that is writing it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import click

from ingest.cli.running_daemon import PAGE, ask, is_running, user_name
from ingest.errors import InputError, RefusedError

if TYPE_CHECKING:
    from ingest.site.handling import Action, Asked
    from ingest.site.incidents import Incident
    from ingest.store.api import StoreReader

_UNITS_S = {"m": 60, "h": 3600, "d": 86_400, "w": 7 * 86_400}
_LOOKED_THROUGH = 500


def _action_command(function: Any) -> Any:
    """Give a command what every action needs: the store, the incident, who does it, where the daemon's page is."""
    for part in (
        click.option("--page", help=f"The daemon's page, if it runs: that of the settings file, or else {PAGE}."),
        click.option(
            "--by", default=user_name, metavar="NAME", help="Who does it, for the record; your login name if not given."
        ),
        click.argument("incident", metavar="ID"),
        click.argument("data", type=click.Path(path_type=Path), metavar="DATA"),
    ):
        function = part(function)
    return function


_note = click.option("--note", default="", help="Words to leave with it.")


@click.command(short_help="Acknowledge an incident.")
@_action_command
@_note
def acknowledge(data: Path, incident: str, by: str, page: str | None, note: str) -> None:
    """Acknowledge an incident: whoever is to be told next if nobody does is not told any more."""
    _do(data, incident, "acknowledged", by=by, page=page, note=note)


@click.command(short_help="Mute an incident's alerts for a while.")
@_action_command
@_note
@click.option("--for", "lasting", required=True, metavar="TIME", help="For how long: 90m, 4h, 3d or 1w.")
def mute(data: Path, incident: str, by: str, page: str | None, note: str, lasting: str) -> None:
    """Mute an incident's alerts for a while, which also acknowledges it. The watch goes on."""
    _do(data, incident, "muted", by=by, page=page, note=note, lasting_s=_seconds(lasting))


@click.command(short_help="Unmute an incident's alerts.")
@_action_command
@_note
def unmute(data: Path, incident: str, by: str, page: str | None, note: str) -> None:
    """Have alerts of an incident sent again."""
    _do(data, incident, "unmuted", by=by, page=page, note=note)


@click.command(short_help="Close an incident by hand.")
@_action_command
@click.option("--reason", required=True, help="Why it needs no more attention; it goes into the record.")
def close(data: Path, incident: str, by: str, page: str | None, reason: str) -> None:
    """Close an incident by hand although it goes on. No more is told of it; a new excursion is a new incident."""
    _do(data, incident, "closed", by=by, page=page, note=reason)


@click.command(short_help="Open an incident again that was closed manually.")
@_action_command
@_note
def reopen(data: Path, incident: str, by: str, page: str | None, note: str) -> None:
    """Take a closing manually back: what goes on is told again."""
    _do(data, incident, "reopened", by=by, page=page, note=note)


@click.command(short_help="Leave a note about an incident.")
@_action_command
@click.option("--text", required=True, help="The words.")
def note(data: Path, incident: str, by: str, page: str | None, text: str) -> None:
    """Leave words about an incident, active or ended."""
    _do(data, incident, "noted", by=by, page=page, note=text)


ACTIONS = (acknowledge, mute, unmute, close, reopen, note)


def known(reader: StoreReader, named: str) -> Incident:
    """Give the incident of that id, or the one whose id alone has that part: of those going on, else of the newest.

    Raises RefusedError where there is none, or more than one.
    """
    found = reader.incident(named)
    if found is not None:
        return found
    for only_open in (True, False):
        like = [one for one in reader.incidents(only_open=only_open, limit=_LOOKED_THROUGH) if named in one.id]
        if len(like) == 1:
            return like[0]
        if like:
            there = ", ".join(one.id for one in like[:5])
            raise RefusedError(f"{len(like)} incidents are named so", where=named, mend=f"Say more of the id: {there}.")
    raise RefusedError("there is no such incident", where=named, mend="`lumberroom incidents list` names them.")


def _do(
    data: Path, incident: str, action: str, *, by: str, page: str | None, note: str, lasting_s: float | None = None
) -> None:
    from ingest.cli.site_data import site_data
    from ingest.clock import SystemClock
    from ingest.present.life_words import ACTION_WORDS
    from ingest.site.actor import Actor, Where
    from ingest.site.handling import Action, Asked
    from ingest.store.sqlite_store import SqliteStore

    named, now_ms = site_data(data), SystemClock().now_ms()
    file = named.store
    with SqliteStore.open(file, read_only=True) as store:
        found = known(store.read, incident)
    until_ms = None if lasting_s is None else now_ms + round(lasting_s * 1000)
    asked = Asked(found.id, Action(action), Actor(Where.COMMAND, by), note, until_ms)
    if is_running(file):
        _hand_to_the_daemon(page or named.page or PAGE, asked)
    else:
        _write(file, asked, now_ms)
    click.echo(f"{found.id}: {ACTION_WORDS[asked.action]}.")


def _write(file: Path, asked: Asked, now_ms: int) -> None:
    from ingest.store.sqlite_store import SqliteStore
    from ingest.watch.handling import carry_out

    with SqliteStore.open(file) as store, store.transaction() as work:
        carry_out(work, asked, now_ms=now_ms)


def _hand_to_the_daemon(page: str, asked: Asked) -> None:
    """Let the daemon do it.  Raises as `running_daemon.ask`."""
    wanted = {"action": _value(asked.action), "by": asked.by.name, "note": asked.note, "until_ms": asked.until_ms}
    ask(page, "POST", f"/api/v1/incidents/{quote(asked.incident, safe='')}/actions", json=wanted)


def _value(action: Action) -> str:
    return str(action.value)


def _seconds(text: str) -> float:
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*([mhdw])", text.strip().lower())
    if found is None:
        raise InputError(f"{text!r} is no length of time", where="--for", mend="Write it like 90m, 4h, 3d or 1w.")
    return float(found[1]) * _UNITS_S[found[2]]
