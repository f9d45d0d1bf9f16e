"""`lumberroom incidents`: what happened, how bad it is, and what people did about it; from the store, in words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from ingest.cli.incident_actions import ACTIONS
from ingest.present.incident_kinds import KINDS

if TYPE_CHECKING:
    from ingest.site.handling import Handling
    from ingest.site.incidents import Incident
    from ingest.store.api import StoreReader

COMMAND: Final = ("incidents", 170, "List incidents, and say what is done about them.")

_SEVERITIES = ("slight", "serious", "severe")

_data = click.argument("data", type=click.Path(path_type=Path), metavar="DATA")
_json = click.option("--json", "as_json", is_flag=True, help="Print JSON, in SI with units in the names.")
_units = click.option(
    "--units", type=click.Choice(["si", "us"]), help="[default: those of the settings file where it is known, else si]"
)


@click.group(
    short_help="List incidents, and say what is done about them.",
    epilog="""\b
Examples:
  lumberroom incidents list data --open
  lumberroom incidents show data hall.window
  lumberroom incidents acknowledge lumberroom.toml hall.window --note "on my way"
  lumberroom incidents mute lumberroom.toml hall.window --by Anna --for 4h
  lumberroom incidents close data hall.window --by Anna --reason "drying on purpose"

An incident is named by its id, or by any part of it that only one of the active ones has.

\b
Exit codes: 0 well; 2 wrong input or settings file; 3 the store cannot be read or written;
4 refused: no such incident, or it cannot be done now; 5 the page cannot be reached.""",
)
def incidents() -> None:
    """List incidents, show one with its journal, and say what is done about it.

    DATA is the settings file (lumberroom.toml), a data directory, or the store's file in it. The daemon may be running:
    what is done is then handed to it, at the page's address that the settings file gives, or --page.
    """


for _command in ACTIONS:
    incidents.add_command(_command)


@incidents.command(name="list", short_help="List incidents, newest first.")
@_data
@click.option("--open", "only_open", is_flag=True, help="Only those that go on.")
@click.option("--room", help="Only those of the room of this id.")
@click.option("--severity", type=click.Choice(_SEVERITIES), help="Only those as severe as this, or more.")
@click.option("--limit", type=click.IntRange(1, 10_000), default=50, show_default=True, help="At most so many.")
@_json
def list_incidents(
    data: Path, *, only_open: bool, room: str | None, severity: str | None, limit: int, as_json: bool
) -> None:
    """List incidents, newest first: a line each, and beneath it the reason."""
    from ingest.cli.quiet import quiet_when_the_reader_goes
    from ingest.cli.site_data import site_data
    from ingest.clock import SystemClock
    from ingest.site.incidents import Severity
    from ingest.store.record.kinds import HANDLING
    from ingest.store.sqlite_store import SqliteStore

    now_ms = SystemClock().now_ms()
    with SqliteStore.open(site_data(data).store, read_only=True) as store:
        at_least = None if severity is None else Severity(severity)
        found = store.read.incidents(room=room, only_open=only_open, at_least=at_least, limit=limit)
        handlings = store.read.nouns(HANDLING, [one.id for one in found])
        zone = _zone(store.read)
    with quiet_when_the_reader_goes():
        if as_json:
            click.echo(json.dumps([_plain(one, handlings.get(one.id), now_ms) for one in found], indent=2))
            return
        for one in found:
            click.echo(_line(one, handlings.get(one.id), now_ms, zone))
            click.echo(f"    {one.reason}")
        if not found:
            click.echo("None.")


@incidents.command(short_help="Show one incident with its journal.")
@_data
@click.argument("incident", metavar="ID")
@_units
@_json
def show(data: Path, incident: str, units: str | None, *, as_json: bool) -> None:
    """Show one incident: how bad it is, what it did to the wood by the model, and its journal with the hashes."""
    from ingest.cli.incident_actions import known
    from ingest.cli.quiet import quiet_when_the_reader_goes
    from ingest.cli.site_data import site_data
    from ingest.clock import SystemClock
    from ingest.store.record.kinds import HANDLING
    from ingest.store.sqlite_store import SqliteStore

    now_ms = SystemClock().now_ms()
    named = site_data(data)
    with SqliteStore.open(named.store, read_only=True) as store:
        found = known(store.read, incident)
        handling = store.read.nouns(HANDLING, [found.id]).get(found.id)
        lines = _journal(store.read, found)
        number, head = store.read.record_head()
        told = _told(store.read, found, handling, now_ms, units or named.units or "si")
    with quiet_when_the_reader_goes():
        if as_json:
            plain = _plain(found, handling, now_ms)
            click.echo(json.dumps({**plain, "journal": lines, "record_head": [number, head]}, indent=2))
            return
        for line in told:
            click.echo(line)
        for entry in lines:
            note = f' "{entry["note"]}"' if entry["note"] else ""
            click.echo(f"  {entry['number']:>6}  {entry['at']}  {entry['by']}: {entry['what']}{note}")
            click.echo(f"          {entry['hash']}")
        click.echo(f"Newest entry of the record: number {number}, {head}")


def _told(reader: StoreReader, found: Incident, handling: Handling | None, now_ms: int, units: str) -> list[str]:
    from ingest.present.digits import Units
    from ingest.present.life_words import excess_words, handled_words
    from ingest.watch.affected import sentence

    zone, site = _zone(reader), reader.site()
    wood = found.wood
    if site is not None and (found.is_open or not wood):
        wood = sentence(reader, site, found, now_ms=now_ms)
    excess = excess_words(found, Units(units))
    told = [
        _line(found, handling, now_ms, zone),
        found.reason,
        f"Total exceedance: {excess}." if excess else "",
        handled_words(handling, now_ms, zone),
        wood,
    ]
    return [line for line in told if line]


def _line(incident: Incident, handling: Handling | None, now_ms: int, zone: str) -> str:
    from ingest.present import words
    from ingest.present.life_words import LIFE_WORDS, SEVERITY_WORDS
    from ingest.site.handling import life

    began = words.instant(incident.began_ms, zone)
    ended_ms = now_ms if incident.closed_ms is None else incident.closed_ms
    lasted = words.duration_ms(max(0, ended_ms - incident.began_ms))
    what = f"{incident.room or 'the station'}: {KINDS[incident.kind].word}"
    stands = f"{SEVERITY_WORDS[incident.severity]}, {LIFE_WORDS[life(incident, handling, now_ms)]}"
    return f"{incident.id}  {what} ({stands}), since {began}, {lasted}"


def _plain(incident: Incident, handling: Handling | None, now_ms: int) -> dict[str, Any]:
    from ingest.site.handling import life
    from ingest.store.record.plain import to_plain

    stands = {"life": life(incident, handling, now_ms).value}
    return {**to_plain(incident), **stands, "handling": None if handling is None else to_plain(handling)}


def _journal(reader: StoreReader, found: Incident) -> list[dict[str, Any]]:
    from ingest.present import words
    from ingest.watch.journal import journal

    zone = _zone(reader)
    lines = journal(reader.history("incident", found.id), reader.history("handling", found.id), zone)
    return [
        {
            "number": line.number,
            "at_ms": line.at_ms,
            "at": words.instant(line.at_ms, zone),
            "by": line.by,
            "what": line.what,
            "note": line.note,
            "hash": line.hash,
        }
        for line in lines
    ]


def _zone(reader: StoreReader) -> str:
    site = reader.site()
    return "UTC" if site is None else site.time_zone
