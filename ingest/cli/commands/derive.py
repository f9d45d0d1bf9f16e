"""`lumberroom derive`: a table of temperature and humidity in, dew point, grains per pound, EMC and more out."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final

import click

from ingest.cli.quiet import quiet_when_the_reader_goes
from ingest.cli.tables.filter import Wanted, derive_table
from ingest.cli.tables.measures import ELEVATION, HUMIDITY, PRESSURE, TEMPERATURE, read_measure
from ingest.cli.tables.numbers import Problem
from ingest.cli.tables.options import EVERYTHING, SURFACES, read_more
from ingest.cli.tables.point import Point, as_json, for_people
from ingest.errors import InputError, SettingsError
from ingest.physics.air import STANDARD_PRESSURE_KPA, pressure_from_elevation_kpa
from ingest.physics.derived import EXTRA
from ingest.present.digits import Units

COMMAND: Final = ("derive", 110, "Add dew point, grains per pound, EMC and more to a table.")

BAD_ROWS_EXIT_CODE = InputError.exit_code


MOULD_NOTE = (
    "mould_index is an estimate for a surface in this very air; a colder surface is worse off, and the index proves "
    "neither growth nor its absence. Suspected mould is for people trained in it and for local rules."
)


def _more_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options for columns beyond the usual ones."""
    options = (
        click.option(
            "--add",
            multiple=True,
            metavar="NAME",
            help=f"Add a quantity: {', '.join(EXTRA)}, or {EVERYTHING}. May be given several times, or with commas.",
        ),
        click.option(
            "--accuracy-temperature", metavar="T", help="The sensor's stated ± for temperature: 0.3, 0.3C or 0.5F."
        ),
        click.option("--accuracy-humidity", metavar="RH", help="The sensor's stated ± for relative humidity, in % RH."),
        click.option(
            "--accuracy-means",
            type=click.Choice(["limits", "k2"]),
            default="limits",
            show_default=True,
            help="What the ± is: limits that are never exceeded, or an expanded uncertainty with k = 2.",
        ),
        click.option("--mould", type=click.Choice(list(SURFACES)), help="Add the mould index for such a surface."),
        click.option(
            "--mould-decline",
            type=click.FloatRange(0.0, 1.0),
            default=1.0,
            show_default=True,
            metavar="FACTOR",
            help="How fast growth dies back in dry times: 1 pine sapwood, to 0.1 where it hardly does (the safe side).",
        ),
        click.option(
            "--mould-gap", default="3h", show_default=True, metavar="H", help="More than this between rows is a gap."
        ),
    )
    for option in reversed(options):
        command = option(command)
    return command


@click.command(
    epilog="""\b
Examples:
  lumberroom derive readings.csv > derived.csv
  tail -n +1 -f readings.csv | lumberroom derive --elevation 1600
  lumberroom derive --temperature 70F --humidity 45
  lumberroom derive --temperature 21 --humidity 45 --elevation 1600 --json
  lumberroom derive winter.csv --add frost_point_c
  lumberroom derive readings.csv --accuracy-temperature 0.3 --accuracy-humidity 2
  lumberroom derive cellar.csv --mould sensitive > cellar-mould.csv

Exit codes: 0 well; 2 when rows were bad (the good ones still came out), or when
the input is no table, or an option cannot be."""
)
@click.argument("file", required=False, type=click.Path(path_type=Path, dir_okay=False), metavar="[FILE]")
@click.option("--temperature", metavar="T", help="Air temperature of a single point: 21.5, 21.5C or 70F.")
@click.option("--humidity", metavar="RH", help="Relative humidity of a single point, in %.")
@click.option("--pressure", metavar="P", help="Air pressure: 84 (kPa), 840hPa or 24.9inHg; of the point, or every row.")
@click.option("--elevation", metavar="H", help="Elevation instead of pressure: 1600 (m) or 5250ft.")
@click.option("--json", "as_json_text", is_flag=True, help="Print the single point as JSON, units in the names.")
@_more_options
@click.option(
    "--units",
    type=click.Choice(["si", "us"]),
    default="si",
    show_default=True,
    help="us: add columns in °F, inHg, gr/ft³ and Btu/lb; bare numbers of the options are in °F, inHg, ft.",
)
@click.pass_context
def derive(ctx: click.Context, /, *, file: Path | None, as_json_text: bool, units: str, **told: Any) -> None:
    """Add dew point, grains per pound, EMC and more to a table, or tell them for a single point.

    CSV comes in from FILE or standard input (a comma, semicolon or tab between fields) and needs a header line with
    temperature_c or temperature_f, and rh_percent (over liquid water, as sensors report it, also below freezing). It
    may have pressure_kpa or elevation_m (pressure counts where both are there, °C likewise); without either, sea level
    is taken unless --pressure or --elevation says otherwise. Other columns pass through untouched.

    The same rows go to standard output, each as soon as it is there, with dew_point_c, vapour_pressure_kpa, vpd_kpa,
    humidity_ratio_g_kg, grains_per_pound, wet_bulb_c, enthalpy_kj_kg, absolute_humidity_g_m3 and emc_percent appended,
    with seven significant digits. A field is left empty where the quantity does not exist (the dew point of perfectly
    dry air). A table that already has one of these columns is refused. A decimal comma is understood where fields are
    not parted by commas, and the first number that shows a mark decides which one the new columns use.

    --add frost_point_c adds the frost point, which is over ice; the dew point is over liquid water at any temperature.

    --accuracy-temperature and --accuracy-humidity add how sure dew point, grains per pound and EMC are: the standard
    uncertainty, and the expanded one with coverage factor 2 (…_k2), in °C, gr/lb and % MC; first order, by the GUM.
    They count the sensor alone: not where it hangs, and not that a real board stands 1 to 2 % MC from any EMC.

    --mould adds mould_index (0 none, 1 under the microscope, 3 seen by eye, 6 all over; the VTT model's later form),
    mould_critical_rh_percent (growth from there up) and mould_coverage_percent (how much of the time so far was
    judged). It needs a column time (2026-01-31T14:30Z, or milliseconds since 1970; without an offset, UTC) in rising
    order; where there is a column sensor, each sensor has an index of its own. A row stands for the time since the row
    before it, the first for one hour. More than --mould-gap between rows is a gap, through which the index stands
    still. The surfaces are: very-sensitive (pine sapwood), sensitive (spruce, glued boards, paper-faced products),
    medium-resistant (concrete, mineral wool), resistant (glass, metal). It is an estimate for a surface in this very
    air, proves neither growth nor its absence, and a colder surface is worse off.

    A bad row (no number, a humidity of 120, a field too few) is left out and told on standard error with its number
    (the first row below the header is row 1) and its line in the file.
    """
    us_units = units == "us"
    pressure_kpa = _pressure_kpa(told["pressure"], told["elevation"], us_units=us_units)
    more = read_more(told, us_units=us_units)
    temperature, humidity = told["temperature"], told["humidity"]
    if temperature is not None or humidity is not None or as_json_text:
        _refuse_half_a_point(file, temperature, humidity)
        point = Point(
            read_measure(temperature, TEMPERATURE, us_units=us_units),
            read_measure(humidity, HUMIDITY),
            STANDARD_PRESSURE_KPA if pressure_kpa is None else pressure_kpa,
            pressure_assumed=pressure_kpa is None,
            more=more,
        )
        click.echo(as_json(point, us_units=us_units) if as_json_text else for_people(point, Units(units)))
        return
    ctx.exit(_filter(file, Wanted(us_units, pressure_kpa, more)))


def _filter(file: Path | None, wanted: Wanted) -> int:
    """Run the table through, and give the exit code."""
    bad = 0

    def tell(problem: Problem) -> None:
        nonlocal bad
        bad += 1
        click.echo(f"row {problem.row} (line {problem.line}): {problem.why}", err=True)

    tally = None
    with quiet_when_the_reader_goes(), _opened(file) as source:
        name = str(file) if file else "standard input"
        tally = derive_table(source, sys.stdout.buffer, tell, wanted, name=name)
    if bad and tally is not None:
        click.echo(f"{bad} of {tally.rows} rows were bad and left out.", err=True)
    for note in (*(tally.notes if tally else ()), *((MOULD_NOTE,) if wanted.more.mould is not None and tally else ())):
        click.echo(note, err=True)
    return BAD_ROWS_EXIT_CODE if bad else 0


@contextlib.contextmanager
def _opened(file: Path | None) -> Iterator[BinaryIO]:
    """Open the input unbuffered: what a slow pipe gives must be there at once."""
    if file is None:
        stdin = sys.stdin.buffer
        yield getattr(stdin, "raw", stdin)
        return
    try:
        source = file.open("rb", buffering=0)
    except OSError as error:
        raise InputError(
            f"cannot be read ({error.strerror})", where=str(file), mend="Check the name and who may read it."
        ) from error
    with source:
        yield source


def _pressure_kpa(pressure: str | None, elevation: str | None, *, us_units: bool) -> float | None:
    if pressure is not None and elevation is not None:
        raise SettingsError("given as well as --elevation", where="--pressure", mend="Give one of the two.")
    if pressure is not None:
        return read_measure(pressure, PRESSURE, us_units=us_units)
    if elevation is not None:
        return float(pressure_from_elevation_kpa(read_measure(elevation, ELEVATION, us_units=us_units)))
    return None


def _refuse_half_a_point(file: Path | None, temperature: str | None, humidity: str | None) -> None:
    if temperature is None or humidity is None:
        missing = "--temperature" if temperature is None else "--humidity"
        raise SettingsError("a single point needs it", where=missing, mend="Give both --temperature and --humidity.")
    if file is not None:
        raise SettingsError("a file and a single point at once", where=str(file), mend="Leave out one of them.")
