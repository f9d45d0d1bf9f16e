"""`lumberroom import`: readings of a file into a store."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from ingest.errors import InputError, SettingsError

if TYPE_CHECKING:
    from adapters.framing.csv_rows import CsvForm
    from ingest.cli.exchange.reading import Trouble
    from ingest.cli.exchange.storing import Counts
    from ingest.store.sqlite_store import SqliteStore

COMMAND: Final = ("import", 190, "Read readings from a file into the store.")

DECIMALS: Final = ("auto", "point", "comma")
"""As in `adapters.framing.csv_rows`, which is not loaded for `--help`; a test holds them together."""
_TOLD: Final = 20
"""How many single troubles are told; the rest is counted."""


@click.command(
    name="import",
    short_help="Read readings from a file into the store.",
    epilog="""\b
Examples:
  lumberroom import january.parquet --data data
  lumberroom import old-logger.csv --data data --room attic --sensor attic-1 \\
      --column time=Date --column temperature_f=Temp --column rh_percent=Humidity \\
      --zone Europe/Berlin --time-format "%d.%m.%Y %H:%M"

Exit codes: 0 everything is in the store; 2 something of the file could not be
stored (the rest is); 3 the store cannot be written; 4 refused.""",
)
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE")
@click.option("--data", type=click.Path(path_type=Path), help="The data directory; else that of lumberroom.toml here.")
@click.option(
    "--format", "format_name", type=click.Choice(("csv", "jsonl", "senml", "parquet")), help="Else by FILE's name."
)
@click.option("--room", help="Put sensors that the site setup does not know into this room (made if it is not there).")
@click.option("--sensor", help="The sensor of rows that name none.")
@click.option("--column", "columns", multiple=True, metavar="NAME=COLUMN", help="What a column of another name holds.")
@click.option("--zone", help="Zone of times without an offset: Europe/Helsinki or +02:00; else the site's.")
@click.option("--time-format", help='How times are written: "%d.%m.%Y %H:%M", unix or unix_ms; else ISO 8601.')
@click.option("--decimal", type=click.Choice(DECIMALS), default="auto", help="Decimal sign of CSV numbers.")
@click.option("--header-row", type=click.IntRange(1, 1000), default=1, help="Row of a CSV file that names the columns.")
def import_readings(file: Path, data: Path | None, format_name: str | None, room: str | None, **form: Any) -> None:
    """Bring the readings of FILE into a store: what `lumberroom export` wrote, or CSV recorded by something else.

    A row holds time, sensor, and a column per quantity (temperature_c or temperature_f, rh_percent, wood_mc_percent
    and so on); other columns, and derived quantities, are left alone. CSV from elsewhere needs a header line; say with
    --column which of its columns is what (date and time may stand in two), and with --sensor whose readings they are.
    Fields may be parted by commas, semicolons or tabs; where it is not the comma, a comma is the decimal sign.

    Of an hour that clocks show twice, rows are told apart by their order, which is said; a time that clocks skip is
    refused.

    Sensors must belong to a room of the site: bring its setup in first (lumberroom site apply), or give --room.
    Readings of unknown sensors, and values or times that cannot be true, are refused and told with their place in the
    file.

    It may be run twice: what is there already is not stored again, and a different value for the same instant amends
    the old one, which is kept. If it is broken off, run it again. Stop the daemon first; one program at a time may
    write a store. Once it runs again it judges what was imported: what is active still, or ended less than a day
    before, is told; older incidents are put down without a mail.
    """
    from ingest.cli.exchange.writing import require_library
    from ingest.cli.site_data import store_named
    from ingest.cli.wiring_file import DEFAULT_FILE
    from ingest.clock import SystemClock
    from ingest.store.sqlite_store import SqliteStore

    name = format_name or _format_of(file)
    if name == "parquet":
        require_library(name)
    _refuse_unreadable(file)
    with SqliteStore.open(store_named(data or Path(DEFAULT_FILE))) as store:
        counts = _import(store, file, name, _form(store, **form), room, SystemClock().now_ms())
    _say(counts)
    if counts.rejected or counts.unassigned:
        raise SystemExit(InputError.exit_code)


def _import(store: SqliteStore, file: Path, name: str, form: CsvForm, room: str | None, now_ms: int) -> Counts:
    from ingest.cli.exchange.reading import READERS
    from ingest.cli.exchange.storing import store_portions

    told = 0

    def tell(trouble: Trouble) -> None:
        nonlocal told
        told += 1
        if told <= _TOLD:
            click.echo(f"{trouble.where}: {trouble.why}{f' ({trouble.detail})' if trouble.detail else ''}", err=True)

    return store_portions(store, READERS[name](file, form), room=room, now_ms=now_ms, tell=tell)


def _say(counts: Counts) -> None:
    for reason, count in counts.rejected.most_common():
        click.echo(f"refused {count}: {reason}", err=True)
    if counts.unassigned:
        some = ", ".join(f"{sensor} ({count})" for sensor, count in counts.unassigned.most_common(10))
        click.echo(
            f"refused {counts.unassigned.total()} of sensors that belong to no room: {some}. "
            "Add them to the site setup (lumberroom site apply), or give --room.",
            err=True,
        )
    if counts.doubled:
        click.echo(
            f"{counts.doubled} times fall into an hour that the clocks show twice; the order of the rows told which is "
            "meant.",
            err=True,
        )
    if counts.added:
        click.echo(f"new sensors: {', '.join(counts.added)}", err=True)
    click.echo(
        f"{counts.stored} stored, {counts.repeated} there already, {counts.amended} amended, "
        f"{counts.rejected.total() + counts.unassigned.total()} refused."
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


def _form(
    store: SqliteStore,
    *,
    columns: tuple[str, ...],
    sensor: str | None,
    zone: str | None,
    time_format: str | None,
    decimal: str,
    header_row: int,
) -> CsvForm:
    from adapters.contract import SettingsError as BadSetting
    from adapters.framing.csv_rows import MAPPABLE, CsvForm
    from adapters.framing.times import checked_time_format, zone_named

    site = store.read.site()
    named: dict[str, str] = {}
    for column in columns:
        ours, equals, theirs = column.partition("=")
        if not equals or ours not in MAPPABLE:
            raise SettingsError(
                f"{column[:60]!r} is not NAME=COLUMN", where="--column", mend=f"NAME is one of {', '.join(MAPPABLE)}."
            )
        named[theirs] = ours
    try:
        meant = zone_named(zone or (site.time_zone if site else "UTC"))
        checked_time_format(time_format)
    except BadSetting as error:
        raise SettingsError(error.what, where=f"--{error.where.replace('_', '-')}", mend=f"{error.mend}.") from error
    return CsvForm(named, sensor, meant, time_format, decimal, header_row)
