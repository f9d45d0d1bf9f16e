"""`lumberroom wood`: what a floor layer asks of wood, answered for people or as JSON."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

import click

from ingest import units as convert
from ingest.cli.quiet import quiet_when_the_reader_goes
from ingest.cli.tables.measures import HUMIDITY, TEMPERATURE, Measure, read_measure
from ingest.cli.wood_answers import emc_answer, rh_answer, species_answer
from ingest.cli.wood_floor import MovementQuestion, SettlingQuestion, movement_answer, settling_answer
from ingest.cli.wood_words import Air, Answer
from ingest.errors import InputError, SettingsError
from ingest.physics.diffusivity import FINISHES
from ingest.physics.products import isotherms
from ingest.physics.species import Species, all_species, find_species
from ingest.present.digits import Units

COMMAND: Final = ("wood", 200, "Answer a floor layer: EMC, RH to hold, movement, days to settle.")

_LENGTHS: Final = {
    "mm": float,
    "cm": lambda value: value * 10.0,
    "m": lambda value: value * 1000.0,
    "in": convert.millimetres_from_inches,
    "ft": lambda value: convert.metres_from_feet(value) * 1000.0,
}
WIDTH: Final = Measure("--width", "mm", "in", _LENGTHS, 1.0, 1000.0, "mm", "140, 140mm or 5.5in")
THICKNESS: Final = Measure("--thickness", "mm", "in", _LENGTHS, 1.0, 300.0, "mm", "19, 19mm or 0.75in")
RUN: Final = Measure("--run", "mm", "in", _LENGTHS, 10.0, 200_000.0, "mm", "5m, 5000 or 16ft")
MOISTURE: Final = Measure("--mc", "%", "%", {"%": float, "mc": float}, 0.0, 60.0, "% MC", "8 or 8%")
TOLERANCE: Final = Measure("--tolerance", "%", "%", {"%": float, "mc": float}, 0.05, 10.0, "% MC", "0.5")

_CUTS: Final = {"flat": 0.0, "quarter": 90.0}


def _output_options(command: Callable[..., Any]) -> Callable[..., Any]:
    command = click.option("--json", "as_json", is_flag=True, help="Print JSON, units in the names.")(command)
    return click.option(
        "--units",
        type=click.Choice(["si", "us"]),
        default="si",
        show_default=True,
        help="us: bare numbers are in °F and inches, and so are the answers.",
    )(command)


@click.group()
def wood() -> None:
    """Answer what a floor layer asks: EMC, the RH to hold, how far wood moves, how long it takes to settle.

    The figures come from the USDA Wood Handbook and published diffusion coefficients, and each answer says how far to
    trust it. None of them replaces a moisture meter or the flooring maker's instructions.
    """


@wood.command(
    short_help="Where wood tends to, here and in service.",
    epilog="Example: lumberroom wood emc --temperature 16C --humidity 62 --in-service 21C 40",
)
@click.option("--temperature", required=True, metavar="T", help="Air temperature here: 21.5, 21.5C or 70F.")
@click.option("--humidity", required=True, metavar="RH", help="Relative humidity here, in %.")
@click.option("--in-service", nargs=2, metavar="T RH", help="Temperature and RH of the rooms once they are lived in.")
@click.option(
    "--product",
    metavar="NAME",
    help=f"Also that of a wood-based product: {', '.join(isotherms())}; no other has a published isotherm here.",
)
@_output_options
def emc(
    temperature: str,
    humidity: str,
    in_service: tuple[str, str] | None,
    product: str | None,
    units: str,
    as_json: bool,
) -> None:
    """Tell the moisture content that wood tends to here, and in the conditions it will live in."""
    here = _air(temperature, humidity, units)
    later = _air(*in_service, units) if in_service else None
    _print(emc_answer(here, later, Units(units), product), as_json=as_json)


@wood.command(
    short_help="The RH to hold for a moisture content.", epilog="Example: lumberroom wood rh --temperature 20C --mc 8"
)
@click.option("--temperature", required=True, metavar="T", help="Air temperature: 21.5, 21.5C or 70F.")
@click.option("--mc", required=True, metavar="MC", help="Moisture content to hold, in % of the oven-dry mass.")
@_output_options
def rh(temperature: str, mc: str, units: str, as_json: bool) -> None:
    """Tell the relative humidity that holds wood at a moisture content."""
    t = read_measure(temperature, TEMPERATURE, us_units=units == "us")
    _print(rh_answer(t, read_measure(mc, MOISTURE), Units(units)), as_json=as_json)


@wood.command(
    short_help="How far boards and floors move.",
    epilog="Example: lumberroom wood movement --species 'red oak, commercial' --width 140mm --from 9 --to 6 --run 5m",
)
@click.option("--species", required=True, help="The wood; `lumberroom wood species` lists them.")
@click.option("--width", required=True, metavar="W", help="Face width of a board: 140, 140mm or 5.5in.")
@click.option("--from", "mc_from", required=True, metavar="MC", help="Moisture content before, in %.")
@click.option("--to", "mc_to", required=True, metavar="MC", help="Moisture content after, in %.")
@click.option("--run", "run", metavar="L", help="Extent of the floor across the boards: 5m or 16ft.")
@click.option(
    "--cut", default="flat", show_default=True, metavar="CUT", help="flat, quarter, or the rings' angle in °."
)
@_output_options
def movement(  # noqa: PLR0917  (click passes each option by its name)
    species: str, width: str, mc_from: str, mc_to: str, run: str | None, cut: str, units: str, as_json: bool
) -> None:
    """Tell how far a board and a floor move between two moisture contents."""
    us_units = units == "us"
    asked = MovementQuestion(
        species=find_species(species),
        width_mm=read_measure(width, WIDTH, us_units=us_units),
        mc_from_percent=_moisture(mc_from, "--from"),
        mc_to_percent=_moisture(mc_to, "--to"),
        run_mm=None if run is None else read_measure(run, RUN, us_units=us_units),
        ring_angle_degrees=_angle(cut),
        units=Units(units),
    )
    _print(movement_answer(asked), as_json=as_json)


@wood.command(
    short_help="Days until a board has settled.",
    epilog="Example: lumberroom wood settle --thickness 19mm --from 12 --temperature 20C --humidity 40",
)
@click.option("--thickness", required=True, metavar="D", help="Thickness of the board: 19, 19mm or 0.75in.")
@click.option("--from", "mc_from", required=True, metavar="MC", help="Moisture content now, in %.")
@click.option("--to", "mc_to", metavar="MC", help="Moisture content wanted; without it, the room's EMC.")
@click.option("--temperature", required=True, metavar="T", help="Air temperature of the room: 21.5, 21.5C or 70F.")
@click.option("--humidity", required=True, metavar="RH", help="Relative humidity of the room, in %.")
@click.option("--tolerance", default="0.5", show_default=True, metavar="MC", help="How near is settled, in % MC.")
@click.option("--species", help="The wood, for its density; without it, specific gravity 0.5.")
@click.option(
    "--specific-gravity",
    type=click.FloatRange(0.2, 1.2),
    metavar="G",
    help="Instead of --species: oven-dry mass over volume at 12 % MC.",
)
@click.option("--finish", type=click.Choice(list(FINISHES)), default="none", show_default=True, help="On the top face.")
@click.option("--one-face", is_flag=True, help="The underside lies on something that lets no moisture through.")
@_output_options
def settle(*, units: str, as_json: bool, **told: Any) -> None:
    """Tell how many days a board takes to settle in a room, and between which days that may lie.

    The board is taken as evenly moist at the start, and the room as steady. It is an estimate, and no go-ahead to lay.
    """
    asked = SettlingQuestion(
        air=_air(told["temperature"], told["humidity"], units),
        thickness_mm=read_measure(told["thickness"], THICKNESS, us_units=units == "us"),
        mc_from_percent=_below_saturation(_moisture(told["mc_from"], "--from")),
        target_percent=None if told["mc_to"] is None else _moisture(told["mc_to"], "--to"),
        tolerance_percent=read_measure(told["tolerance"], TOLERANCE),
        **_gravity_told(told["species"], told["specific_gravity"]),
        top_finish=told["finish"],
        one_face=told["one_face"],
        units=Units(units),
    )
    _print(settling_answer(asked), as_json=as_json)


@wood.command(short_help="The woods that are known.")
@click.argument("words", nargs=-1)
@_output_options
def species(words: tuple[str, ...], units: str, as_json: bool) -> None:
    """List the woods that are known, or those whose names have all of WORDS."""
    del units  # nothing here has a unit that differs
    wanted = {word.lower() for word in words}
    found = [one for one in all_species().values() if all(word in one.name.lower() for word in wanted)]
    if not found:
        raise InputError(
            f"no species has {' and '.join(words)} in its name",
            where="species",
            mend="Try one word; without any, all are listed.",
        )
    _print(species_answer(found), as_json=as_json)


def _print(answer: Answer, *, as_json: bool) -> None:
    with quiet_when_the_reader_goes():
        click.echo(answer.as_json() if as_json else answer.for_people())


def _air(temperature: str, humidity: str, units: str) -> Air:
    return Air(read_measure(temperature, TEMPERATURE, us_units=units == "us"), read_measure(humidity, HUMIDITY))


def _moisture(text: str, option: str) -> float:
    return read_measure(text, MOISTURE._replace(option=option))


def _below_saturation(mc_percent: float) -> float:
    if mc_percent > 30.0:
        raise SettingsError(
            f"{mc_percent:g} % MC is above fibre saturation (30 %), where the model ends",
            where="--from",
            mend="Wet wood dries by other laws; measure it until it is below 30 %.",
        )
    return mc_percent


def _angle(cut: str) -> float:
    if cut in _CUTS:
        return _CUTS[cut]
    try:
        angle = float(cut)
    except ValueError:
        angle = -1.0
    if not 0.0 <= angle <= 90.0:
        raise SettingsError(
            f"{cut!r} is no cut",
            where="--cut",
            mend="Give flat, quarter, or the angle of the rings to the face, 0..90.",
        )
    return angle


def _gravity_told(species_name: str | None, gravity: float | None) -> dict[str, Any]:
    if species_name is not None and gravity is not None:
        raise SettingsError("given as well as --species", where="--specific-gravity", mend="Give one of the two.")
    if gravity is not None and not math.isfinite(gravity):
        raise SettingsError("this is not a number", where="--specific-gravity", mend="Give 0.2 to 1.2, such as 0.6.")
    if species_name is not None:
        gravity = _gravity(find_species(species_name))
    return {} if gravity is None else {"specific_gravity": gravity, "specific_gravity_known": True}


def _gravity(wood_species: Species) -> float:
    if wood_species.specific_gravity_12 is None:
        raise SettingsError(
            f"no specific gravity of {wood_species.name} is at hand",
            where="--species",
            mend="Give --specific-gravity, or name a species of like weight.",
        )
    return wood_species.specific_gravity_12
