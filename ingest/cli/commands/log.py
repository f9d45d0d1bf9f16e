"""`lumberroom log DATA`: every entry of the log, who wrote it and what it says."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

import click

from ingest.cli.store_file import data_argument

COMMAND: Final = ("log", 165, "Show the log: every change on record, who made it, and its check code.")


@click.command(short_help=COMMAND[2])
@data_argument
@click.option("--kind", help="Only entries of this kind: site, handling, incident.")
@click.option("--subject", help="Only entries about this: an incident's id; a site has none.")
@click.option("--json", "as_json", is_flag=True, help="Print whole entries, a JSON object a line.")
def log(data: Path, kind: str | None, subject: str | None, *, as_json: bool) -> None:
    """Show every entry of the log of DATA, the oldest first: what was changed, when, by whom, and its check code.

    Each check code (SHA-256) covers the one before it, so that nothing can be changed quietly: `lumberroom doctor`
    follows the whole chain. The daemon may be running.
    """
    from ingest.cli.quiet import quiet_when_the_reader_goes
    from ingest.present import words
    from ingest.site.actor import Actor
    from ingest.store.sqlite_store import SqliteStore

    with SqliteStore.open(data, read_only=True) as store, quiet_when_the_reader_goes():
        site = store.read.site()
        zone = site.time_zone if site is not None else "UTC"
        found = False
        for entry in store.read.log(kind=kind, subject=subject):
            found = True
            if as_json:
                click.echo(json.dumps(_whole(entry), ensure_ascii=False))
                continue
            about = f"{entry.kind} {entry.subject}".strip()
            when = words.instant(entry.at_ms, zone)
            click.echo(f"{entry.number}  {when}  {about}: {Actor.of(entry.by).words}  {entry.hash[:16]}")
    if not found:
        click.echo("No entry.", err=True)


def _body(entry: Any) -> Any:
    try:
        return entry.body
    except ValueError:  # a damaged one: what of it can be read; its check code shows that it is
        return entry.text


def _whole(entry: Any) -> dict[str, Any]:
    return {
        "number": entry.number,
        "at_ms": entry.at_ms,
        "kind": entry.kind,
        "subject": entry.subject,
        "by": entry.by,
        "body": _body(entry),
        "previous": entry.previous,
        "hash": entry.hash,
    }
