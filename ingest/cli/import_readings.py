"""`lumberroom import`: readings of a file into a store."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from ingest.errors import InputError, SettingsError

if TYPE_CHECKING:
    from ingest.cli.exchange.reading import Meaning, Trouble
    from ingest.cli.exchange.storing import Counts
    from ingest.store.sqlite_store import SqliteStore

_TOLD: Final = 20
"""How many single troubles are told; the rest is counted."""


@click.command(
    name="import",
    short_help="Read readings from a file into the store.",
    epilog="""\b
Examples:
  lumberroom import january.parquet --data data
  lumberroom import old-logger.csv --data data --room attic --sensor attic-1 \\
      --column time=Date --column temperature_f=Temp --column rh_percent=Humidity --zone +02:00

Exit codes: 0 everything is in the store; 2 something of the file could not be
stored (the rest is); 3 the store cannot be written; 4 refused.""",
)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@click.option("--data", type=click.Path(path_type=Path), help="The data directory; else that of lumberroom.toml here.")
@click.option(
    "--format", "format_name", type=click.Choice(("csv", "jsonl", "senml", "parquet")), help="Else by FILE's name."
)
@click.option("--room", help="Put sensors that the job does not know into this room (made if it is not there).")
@click.option("--sensor", help="The sensor of rows that name none.")
@click.option("--column", "columns", multiple=True, metavar="NAME=COLUMN", help="What a column of another name holds.")
@click.option("--zone", help="Zone of times without an offset: Europe/Helsinki or +02:00; else the site's.")
def import_readings(  # noqa: PLR0917  (click passes each option by its name)
    file: Path,
    data: Path | None,
    format_name: str | None,
    room: str | None,
    sensor: str | None,
    columns: tuple[str, ...],
    zone: str | None,
) -> None:
    """Bring the readings of FILE into a store: what `lumberroom export` wrote, or CSV recorded by something else.

    A row holds time, sensor, and a column per quantity (temperature_c or temperature_f, rh_percent, wood_mc_percent
    and so on); other columns, and derived quantities, are left alone. CSV from elsewhere needs a header line; say with
    --column which of its columns is what, and with --sensor whose readings they are.

    Sensors must belong to a room of the job: bring the job in first (lumberroom site apply), or give --room. Readings
    of unknown sensors, and values or times that cannot be true, are refused and told with their place in the file.

    It may be run twice: what is there already is not stored again, and a different value for the same instant amends
    the old one, which is kept. If it is broken off, run it again. Stop the daemon first; one program at a time may
    write a store. Once it runs again it judges what was imported: what is going on still, or was over less than a day
    before, is told; older incidents are put down without a mail.
    """
    from ingest.cli.exchange.writing import require_library
    from ingest.cli.export import store_file
    from ingest.clock import SystemClock
    from ingest.store.sqlite_store import SqliteStore

    name = format_name or _format_of(file)
    if name == "parquet":
        require_library(name)
    _refuse_unreadable(file)
    with SqliteStore.open(store_file(data or _data_of_wiring_file())) as store:
        counts = _import(store, file, name, _meaning(store, columns, sensor, zone), room, SystemClock().now_ms())
    _say(counts)
    if counts.rejected or counts.strangers:
        raise SystemExit(InputError.exit_code)


def _import(store: SqliteStore, file: Path, name: str, meaning: Meaning, room: str | None, now_ms: int) -> Counts:
    from ingest.cli.exchange.reading import READERS
    from ingest.cli.exchange.storing import store_portions

    told = 0

    def tell(trouble: Trouble) -> None:
        nonlocal told
        told += 1
        if told <= _TOLD:
            click.echo(f"{trouble.where}: {trouble.why}{f' ({trouble.detail})' if trouble.detail else ''}", err=True)

    return store_portions(store, READERS[name](file, meaning), room=room, now_ms=now_ms, tell=tell)


def _say(counts: Counts) -> None:
    for reason, count in counts.rejected.most_common():
        click.echo(f"refused {count}: {reason}", err=True)
    if counts.strangers:
        some = ", ".join(f"{sensor} ({count})" for sensor, count in counts.strangers.most_common(10))
        click.echo(
            f"refused {counts.strangers.total()} of sensors that belong to no room: {some}. "
            "Add them to the job (lumberroom site apply), or give --room.",
            err=True,
        )
    if counts.added:
        click.echo(f"new sensors: {', '.join(counts.added)}", err=True)
    click.echo(
        f"{counts.stored} stored, {counts.repeated} there already, {counts.amended} amended, "
        f"{counts.rejected.total() + counts.strangers.total()} refused."
    )


def _format_of(file: Path) -> str:
    from ingest.cli.exchange.writing import SUFFIXES

    name = SUFFIXES.get(file.suffix.lower())
    if name is None:
        raise SettingsError(
            f"the name does not tell its format ({', '.join(SUFFIXES)} would)", where=str(file), mend="Give --format."
        )
    return name


def _refuse_unreadable(file: Path) -> None:
    try:
        file.open("rb").close()
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror})", where=str(file), mend="Check the name and who may read it."
        ) from error


def _meaning(store: SqliteStore, columns: tuple[str, ...], sensor: str | None, zone: str | None) -> Meaning:
    from adapters.framing.columns import COLUMNS
    from adapters.framing.csv_rows import zone_named
    from ingest.cli.exchange.reading import Meaning

    site = store.read.site()
    named = {}
    for column in columns:
        ours, equals, theirs = column.partition("=")
        if not equals or ours not in ("time", "sensor", *COLUMNS):
            raise SettingsError(
                f"{column[:60]!r} is not NAME=COLUMN",
                where="--column",
                mend=f"NAME is one of time, sensor, {', '.join(COLUMNS)}.",
            )
        named[ours] = theirs
    return Meaning(named, sensor, zone_named(zone or (site.time_zone if site else "UTC")))


def _data_of_wiring_file() -> Path:
    from ingest.cli.wiring_file import DEFAULT_FILE
    from ingest.runtime.settings import load

    return load(Path(DEFAULT_FILE)).data_directory
