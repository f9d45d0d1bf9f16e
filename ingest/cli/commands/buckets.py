"""`lumberroom buckets`: count, lowest, mean, highest and coverage of series, bucket by bucket, as CSV."""

from __future__ import annotations

import csv
import datetime as dt
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import click

from ingest.cli.store_file import data_argument

if TYPE_CHECKING:
    from ingest.site.series import Buckets
    from ingest.store.api import StoreReader

COMMAND: Final = ("buckets", 130, "Statistics of stored series, bucket by bucket.")

WIDTHS_S = {
    "1m": 60, "5m": 300, "10m": 600, "15m": 900, "30m": 1800, "1h": 3600, "2h": 7200, "6h": 21600, "12h": 43200,
    "1d": 86400, "7d": 7 * 86400, "28d": 28 * 86400,
}  # fmt: skip
HEAD = ("from", "to", "sensor", "quantity", "count", "minimum", "mean", "maximum", "coverage")


@click.command(
    short_help="Statistics of stored series, bucket by bucket.",
    epilog="""\b
Examples:
  lumberroom buckets data --sensor hall-1 --quantity rh_percent --from 2026-01-01 --to 2026-02-01
  lumberroom buckets data --sensor hall-1 --quantity emc_percent --from 2025-01-01 --to 2026-01-01 --every 7d""",
)
@data_argument
@click.option("--sensor", "sensors", multiple=True, required=True, help="This sensor; may be repeated.")
@click.option("--quantity", "quantities", multiple=True, required=True, help="This quantity; may be repeated.")
@click.option("--from", "from_text", metavar="WHEN", required=True, help="From this instant on, it included.")
@click.option("--to", "to_text", metavar="WHEN", required=True, help="Up to this instant, it not included.")
@click.option("--every", type=click.Choice(list(WIDTHS_S)), default="1d", show_default=True, help="How wide they are.")
def buckets(
    data: Path, sensors: tuple[str, ...], quantities: tuple[str, ...], from_text: str, to_text: str, every: str
) -> None:
    """Write statistics of series in DATA (a data folder, or the store's file in it) to standard output, as CSV.

    Measured quantities (rh_percent) and derived ones (emc_percent, dew_point_c) alike. A bucket of a day runs from
    midnight to midnight where the site is: 23 or 25 hours when the clocks change. An empty bucket has count 0 and no
    figures; coverage is the share of the bucket that readings cover. The daemon may be running.

    The same figures come from ingest.store.open_for_reading in Python and from /api/v1/rooms/ROOM/series over HTTP.
    """
    from ingest.cli.exchange.instants import instant_ms
    from ingest.cli.quiet import quiet_when_the_reader_goes
    from ingest.errors import SettingsError
    from ingest.site.series import SeriesKey
    from ingest.store.days import clock_edges_ms
    from ingest.store.sqlite_store import SqliteStore

    with SqliteStore.open(data, read_only=True) as store:
        site = store.read.site()
        name = site.time_zone if site else "UTC"
        from_ms, to_ms = instant_ms(from_text, name, where="--from"), instant_ms(to_text, name, where="--to")
        if from_ms >= to_ms:
            raise SettingsError(
                f"{from_text} is not before {to_text}",
                where="--from",
                mend="A bare --to date ends at its first moment.",
            )
        edges = clock_edges_ms(from_ms, to_ms, WIDTHS_S[every], name)
        keys = [SeriesKey(sensor, quantity) for sensor in sensors for quantity in quantities]
        _check_known(quantities)
        _check_heard(store.read, sensors)
        found = store.read.buckets_of(keys, edges)
        with quiet_when_the_reader_goes():
            out = csv.writer(sys.stdout, lineterminator="\n")
            out.writerow(HEAD)
            for key in keys:
                out.writerows(_rows(key.sensor, key.quantity, found[key], ZoneInfo(name)))
        for sentence in store.damage:
            click.echo(f"left out: {sentence}", err=True)


def _check_known(quantities: tuple[str, ...]) -> None:
    from adapters.contract import QUANTITIES
    from ingest.errors import SettingsError
    from ingest.physics.derived import DERIVED

    for quantity in quantities:
        if quantity not in QUANTITIES and quantity not in DERIVED:
            names = ", ".join((*QUANTITIES, *DERIVED))
            raise SettingsError(f"{quantity!r} is no quantity", where="--quantity", mend=f"There are {names}.")


def _check_heard(reader: StoreReader, sensors: tuple[str, ...]) -> None:
    """Refuse a sensor of which nothing is known: its empty buckets would pass for a long silence."""
    from ingest.errors import SettingsError

    site = reader.site()
    known = {extent.key.sensor for extent in reader.extents()} | {one.id for one in (site.sensors if site else ())}
    for sensor in sensors:
        if sensor not in known:
            some = ", ".join(sorted(known)[:20]) or "none yet"
            raise SettingsError(f"there is no sensor {sensor[:60]!r}", where="--sensor", mend=f"There are: {some}.")


def _rows(sensor: str, quantity: str, made: Buckets, place: ZoneInfo) -> list[tuple[object, ...]]:
    edges = [dt.datetime.fromtimestamp(at_ms / 1000, place).isoformat() for at_ms in made.edges_ms.tolist()]
    columns = (made.minimum.tolist(), made.mean.tolist(), made.maximum.tolist())
    figures = zip(made.count.tolist(), *columns, made.coverage.tolist(), strict=True)
    return [
        (edges[i], edges[i + 1], sensor, quantity, count, *((low, mean, high) if count else ("", "", "")), covered)
        for i, (count, low, mean, high, covered) in enumerate(figures)
    ]
