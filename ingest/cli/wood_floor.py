"""How far boards and floors move, and when a board has settled: answered with figures and cautions."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from ingest.cli.wood_words import EMC_CAUTION, Air, Answer, range_cautions, rounded
from ingest.errors import SettingsError
from ingest.physics.board import Board, Climate
from ingest.physics.diffusivity import FINISHES, SPREAD_FACTOR
from ingest.physics.movement import (
    Method,
    across,
    expansion_space_mm,
    floor_movement,
)
from ingest.physics.settling import Settling, settling
from ingest.physics.species import Species
from ingest.present.digits import Units, length_words

MOVEMENT_CAUTION: Final = (
    "A free board of average wood: real ones differ by a quarter, and a floor held by its fastenings and walls moves "
    "less and presses more. Allow for the wettest season, and follow the flooring maker's instructions and local rules."
)
SETTLING_CAUTION: Final = (
    "An estimate from published diffusion coefficients, which differ by a factor of two either way; a stack, a "
    "wrapping or a draught changes it as much. It is no go-ahead to lay: measure boards of the lot with a meter."
)


@dataclass(frozen=True, slots=True)
class MovementQuestion:
    """What is asked of a floor."""

    species: Species
    width_mm: float
    mc_from_percent: float
    mc_to_percent: float
    run_mm: float | None = None
    ring_angle_degrees: float = 0.0
    units: Units = field(default=Units.SI)


def movement_answer(asked: MovementQuestion) -> Answer:
    """Answer: how much does a board, and a floor, move between two moisture contents?"""
    floor = floor_movement(
        asked.species,
        board_width_mm=asked.width_mm,
        run_mm=asked.run_mm or asked.width_mm,
        mc_from_percent=asked.mc_from_percent,
        mc_to_percent=asked.mc_to_percent,
        ring_angle_degrees=asked.ring_angle_degrees,
    )
    units = asked.units
    lines = [
        ("species", asked.species.name),
        ("moisture content", f"{asked.mc_from_percent:g} % to {asked.mc_to_percent:g} % MC"),
        (
            f"a board {length_words(asked.width_mm, units)} wide, {_cut(asked.ring_angle_degrees)}",
            _change(floor.board_change_mm, units),
        ),
        ("gap per board", length_words(floor.gap_per_board_mm, units)),
    ]
    values: dict[str, object] = {
        "species": asked.species.name,
        "mc_from_percent": asked.mc_from_percent,
        "mc_to_percent": asked.mc_to_percent,
        "width_mm": rounded(asked.width_mm),
        "ring_angle_degrees": asked.ring_angle_degrees,
        "board_change_mm": rounded(floor.board_change_mm),
        "gap_per_board_mm": rounded(floor.gap_per_board_mm),
        "method": floor.method.name.lower(),
        "source": asked.species.source,
    }
    if asked.run_mm is not None:
        space = expansion_space_mm(
            asked.species,
            run_mm=asked.run_mm,
            mc_laid_percent=asked.mc_from_percent,
            mc_wettest_percent=asked.mc_to_percent,
            ring_angle_degrees=asked.ring_angle_degrees,
        )
        lines += [
            (f"a run of {length_words(asked.run_mm, units)}, were it free", _change(floor.run_change_mm, units)),
            ("room it needs to swell, both sides together", length_words(space, units)),
        ]
        values |= {
            "run_mm": rounded(asked.run_mm),
            "run_change_mm": rounded(floor.run_change_mm),
            "expansion_space_mm": rounded(space),
        }
    species = asked.species
    coefficient = float(across(species.change_radial, species.change_tangential, asked.ring_angle_degrees))
    lines.append(("by", f"{floor.method.value}; {coefficient:.5f} per % MC"))
    return Answer(tuple(lines), values, (*_movement_cautions(asked, floor.method), MOVEMENT_CAUTION))


@dataclass(frozen=True, slots=True)
class SettlingQuestion:
    """What is asked of a board in a room."""

    air: Air
    thickness_mm: float
    mc_from_percent: float
    target_percent: float | None = None
    tolerance_percent: float = 0.5
    specific_gravity: float = 0.5
    specific_gravity_known: bool = False
    top_finish: str = "none"
    one_face: bool = False
    units: Units = field(default=Units.SI)


def settling_answer(asked: SettlingQuestion) -> Answer:
    """Answer: how many days until a board of this thickness has settled in this air?

    Raises SettingsError for air in which the EMC of wood is not known, and for a board that no moisture can leave.
    """
    if not math.isfinite(asked.air.emc_percent):
        raise SettingsError(
            f"the EMC of wood is not known at {asked.air.words(asked.units)}",
            where="--temperature",
            mend="The equation ends at -37 °C (-35 °F); give warmer air.",
        )
    is_sealed = math.isinf(FINISHES[asked.top_finish])
    if is_sealed and asked.one_face:
        raise SettingsError(
            "no moisture can leave or enter a board that is sealed above and lies tight below",
            where="--finish",
            mend="Leave out --one-face, or name another finish.",
        )
    target = asked.air.emc_percent if asked.target_percent is None else asked.target_percent
    board = Board(
        asked.thickness_mm,
        asked.mc_from_percent,
        asked.specific_gravity,
        top_resistance=FINISHES[asked.top_finish],
        bottom_resistance=float("inf") if asked.one_face else 0.0,
    )
    room = Climate(np.array([asked.air.temperature_c]), np.array([asked.air.rh_percent]))
    found = settling(board, room, target_percent=target, tolerance_percent=asked.tolerance_percent)
    above = "sealed" if is_sealed else "open to the air" if asked.top_finish == "none" else f"under {asked.top_finish}"
    both = not is_sealed and asked.top_finish == "none" and not asked.one_face
    below = "on something tight" if asked.one_face else "open to the air"
    faces = "both faces open to the air" if both else f"top {above}, underside {below}"
    lines = (
        ("the room's EMC", f"{asked.air.emc_percent:.1f} % MC at {asked.air.words(asked.units)}"),
        (
            "board",
            f"{length_words(asked.thickness_mm, asked.units)} thick, {faces}, from {asked.mc_from_percent:g} % MC",
        ),
        (
            "specific gravity",
            f"{asked.specific_gravity:g}{'' if asked.specific_gravity_known else ' taken, none named'}",
        ),
        ("wanted", f"{target:.1f} % MC, within {asked.tolerance_percent:g} %"),
        ("settled after", _days_words(found, asked.air)),
        ("  if moisture moves twice as fast", _days(found.fastest_days)),
        ("  if it moves half as fast", _days(found.slowest_days)),
    )
    values = {
        "temperature_c": rounded(asked.air.temperature_c),
        "rh_percent": asked.air.rh_percent,
        "emc_percent": rounded(asked.air.emc_percent),
        "thickness_mm": rounded(asked.thickness_mm),
        "specific_gravity": asked.specific_gravity,
        "mc_from_percent": asked.mc_from_percent,
        "target_percent": rounded(target),
        "tolerance_percent": asked.tolerance_percent,
        "days": rounded(found.days),
        "fastest_days": rounded(found.fastest_days),
        "slowest_days": rounded(found.slowest_days),
        "spread_factor": SPREAD_FACTOR,
        "looked_days": rounded(found.looked_days),
        "final_mc_percent": rounded(found.final_mc_percent),
    }
    return Answer(lines, values, (*range_cautions([asked.air], asked.units), SETTLING_CAUTION, EMC_CAUTION))


def _change(value_mm: float, units: Units) -> str:
    return (
        f"{length_words(abs(value_mm), units)} {'wider' if value_mm > 0 else 'narrower'}" if value_mm else "no change"
    )


def _cut(angle: float) -> str:
    named = {0.0: "flat-sawn", 90.0: "quarter-sawn"}
    return named.get(angle, f"rings at {angle:g}°")


def _days(days: float | None) -> str:
    if days is None:
        return "not within the days looked at"
    return "at once" if days == 0.0 else f"{days:.1f} days" if days < 10.0 else f"{days:.0f} days"


def _days_words(found: Settling, air: Air) -> str:
    if found.days is not None:
        return _days(found.days)
    stands = f"after {found.looked_days:.0f} days it stands at {found.final_mc_percent:.1f} % MC"
    if abs(air.emc_percent - found.target_percent) > found.tolerance_percent:
        return f"never in this air, which leads elsewhere: {stands}"
    return f"later than was looked at: {stands}"


def _movement_cautions(asked: MovementQuestion, method: Method) -> list[str]:
    wood, highest = asked.species, max(asked.mc_from_percent, asked.mc_to_percent)
    below = (wood.shrinks_below_radial_percent, wood.shrinks_below_tangential_percent)
    begins = float(across(*below, asked.ring_angle_degrees))
    said = []
    if method is Method.EXTENDED:
        why = (
            "its total shrinkage in the tables" if wood.shrinkage_read else "taken as for most woods, none being known"
        )
        said.append(
            f"The coefficient is published for 6 to 14 % MC. Beyond, it is carried in a straight line to "
            f"{begins:.0f} % MC, where this wood begins to shrink ({why}); real wood bends off that line."
        )
    if highest > begins:
        said.append(
            f"Above about {begins:.0f} % MC this wood neither swells nor shrinks; moisture beyond counts nothing."
        )
    return said
