"""`lumberroom export`: stored readings into a file."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

import click

from ingest.errors import SettingsError

COMMAND: Final = ("export", 120, "Write stored readings to a file.")

DAMAGED: Final = 3
"""The exit code where something of the store could not be read."""

if TYPE_CHECKING:
    from ingest.cli.exchange.rows import Wanted
    from ingest.store.api import StoreReader

_FORMATS = ("csv", "jsonl", "senml", "parquet")


@click.command(
    short_help="Write stored readings to a file.",
    epilog="""\b
Examples:
  lumberroom export data --room oak-store --output oak.csv
  lumberroom export data --from 2026-01-01 --to 2026-02-01 --output january.parquet
  lumberroom export data --room oak-store --derived --format jsonl | less""",
)
@click.argument("data", type=click.Path(path_type=Path), metavar="DATA")
@click.option("--room", "rooms", multiple=True, help="Only this room; may be repeated. Without it, everything.")
@click.option("--from", "from_text", metavar="WHEN", help="From this instant on, it included.")
@click.option("--to", "to_text", metavar="WHEN", help="Up to this instant, it not included.")
@click.option("--quantity", "quantities", multiple=True, help="Only this quantity; may be repeated.")
@click.option("--derived", is_flag=True, help="Dew point, EMC and all other derived quantities as well.")
@click.option(
    "--format", "format_name", type=click.Choice(_FORMATS), help="Without it by the name of the output, else csv."
)
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="Write this file, whole or not at all.")
@click.option("--force", is_flag=True, help="Replace the output file if it is there.")
def export(  # noqa: PLR0913, PLR0917  (click passes each option by its name)
    data: Path,
    rooms: tuple[str, ...],
    from_text: str | None,
    to_text: str | None,
    quantities: tuple[str, ...],
    derived: bool,
    format_name: str | None,
    output: Path | None,
    force: bool,
) -> None:
    """Write the readings of a store to a file or to standard output.

    DATA is a data directory, the store's file in it, or the settings file that names it. The daemon may be running: it
    is only read.

    WHEN is a date, or a date and time (2026-01-31, 2026-01-31T14:30), in the site's time zone unless it ends in Z or
    an offset; a bare date means its first moment, so --from 2026-01-01 --to 2026-02-01 is January.

    Each row is one sensor at one instant: time (UTC, to the millisecond), room, sensor, and a column for each quantity,
    empty where the sensor told nothing of it then. Numbers have all their digits: `lumberroom import` brings csv,
    jsonl and parquet back bit for bit, and senml too but for air pressures with more than three decimals (one unit in
    the last place) and the sign of a zero. SenML is one pack per line and holds measured quantities only.

    What is damaged in the store is left out and named; the exit code is 3 then.
    """
    from ingest.cli.exchange.rows import Wanted
    from ingest.cli.exchange.writing import require_library
    from ingest.cli.site_data import store_named
    from ingest.store.sqlite_store import SqliteStore

    name = _format(format_name, output)
    require_library(name)
    with SqliteStore.open(store_named(data), read_only=True) as store:
        span = _span(store.read, from_text, to_text)
        wanted = Wanted(rooms, quantities, *span, derived)
        if output is None:
            _refuse_terminal(name)
            _to_stdout(store.read, wanted, name)
        else:
            count = _to_file(store.read, wanted, name, output, force=force)
            click.echo(f"{count} rows are in {output}.", err=True)
        damage = store.damage
    if damage:
        for sentence in damage:
            click.echo(f"left out: {sentence}", err=True)
        click.echo("Something could not be read and is not in there; lumberroom doctor says more.", err=True)
        click.get_current_context().exit(DAMAGED)


def _format(format_name: str | None, output: Path | None) -> str:
    from ingest.cli.exchange.writing import SUFFIXES

    return format_name or (SUFFIXES.get(output.suffix.lower(), "csv") if output else "csv")


def _span(reader: StoreReader, from_text: str | None, to_text: str | None) -> tuple[int | None, int | None]:
    from ingest.cli.exchange.instants import instant_ms

    site = reader.site()
    zone = site.time_zone if site else "UTC"
    from_ms = None if from_text is None else instant_ms(from_text, zone, where="--from")
    to_ms = None if to_text is None else instant_ms(to_text, zone, where="--to")
    if from_ms is not None and to_ms is not None and from_ms >= to_ms:
        raise SettingsError(
            f"{from_text} is not before {to_text}", where="--from", mend="A bare --to date ends at its first moment."
        )
    return from_ms, to_ms


def _refuse_terminal(name: str) -> None:
    if name == "parquet" and sys.stdout.isatty():
        raise SettingsError(
            "a terminal cannot show it", where="--format parquet", mend="Give --output FILE, or redirect the output."
        )


def _to_stdout(reader: StoreReader, wanted: Wanted, name: str) -> None:
    from ingest.cli.quiet import quiet_when_the_reader_goes

    with quiet_when_the_reader_goes(), open(sys.stdout.fileno(), "wb", closefd=False) as out:
        _write(reader, wanted, name, out)


def _to_file(reader: StoreReader, wanted: Wanted, name: str, output: Path, *, force: bool) -> int:
    from ingest.cli.new_file import whole_file

    with whole_file(output, force=force) as out:
        return _write(reader, wanted, name, out)


def _write(reader: StoreReader, wanted: Wanted, name: str, out: BinaryIO) -> int:
    from ingest.cli.exchange.rows import plan, read_rows
    from ingest.cli.exchange.writing import WRITERS

    reading_plan = plan(reader, wanted)
    writer = WRITERS[name](out, reading_plan)
    count = 0
    for rows in read_rows(reader, reading_plan):
        writer.write(rows)
        count += len(rows)
    writer.finish()
    return count
