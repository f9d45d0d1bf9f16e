"""The questions a floor layer asks of wood, answered: figures for people and for programs, with their cautions."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from ingest.errors import InputError
from ingest.physics import wood
from ingest.physics.board import Board, Climate
from ingest.physics.diffusivity import FINISHES, SPREAD_FACTOR
from ingest.physics.movement import (
    Method,
    across,
    change_by_coefficient,
    change_by_shrinkage,
    expansion_space_mm,
    floor_movement,
)
from ingest.physics.settling import Settling, settling
from ingest.physics.species import FIBRE_SATURATION_PERCENT, Species
from ingest.present.digits import Units
from ingest.units import fahrenheit_from_celsius, inches_from_millimetres

EMC_CAUTION: Final = (
    "EMC is the Wood Handbook's equation for wood in general; a real board stands 1 to 2 % MC from it, by species, "
    "past and direction of change. A meter's readings decide, and the flooring maker's instructions come first."
)
MOVEMENT_CAUTION: Final = (
    "A free board of average wood: real ones differ by a quarter, and a floor held by its fastenings and walls moves "
    "less and presses more. Allow for the wettest season, and follow the flooring maker's instructions and local rules."
)
SETTLING_CAUTION: Final = (
    "An estimate from published diffusion coefficients, which differ by a factor of two either way; a stack, a "
    "wrapping or a draught changes it as much. It is no go-ahead to lay: measure boards of the lot with a meter."
)
_WIDTH: Final = 78


@dataclass(frozen=True, slots=True)
class Answer:
    """An answer.  lines: what people read, (what, figure).  values: what programs read, units in the names."""

    lines: tuple[tuple[str, str], ...]
    values: Mapping[str, object]
    cautions: tuple[str, ...]

    def for_people(self) -> str:
        """Give the figures as a small table, the cautions under it."""
        widest = max(len(what) for what, _ in self.lines)
        rows = [f"{what:<{widest}}  {figure}" for what, figure in self.lines]
        notes = [textwrap.fill(caution, _WIDTH) for caution in self.cautions]
        return "\n\n".join(["\n".join(rows), *notes])

    def as_json(self) -> str:
        """Give one JSON object with `cautions`; null is a figure that does not exist."""
        return json.dumps({**self.values, "cautions": list(self.cautions)}, ensure_ascii=False, indent=2)


@dataclass(frozen=True, slots=True)
class Air:
    """Air as it was told on the command line."""

    temperature_c: float
    rh_percent: float

    def words(self, units: Units) -> str:
        """Say it: 21 °C, 45 % RH."""
        return f"{_temperature(self.temperature_c, units)}, {self.rh_percent:.3g} % RH"

    @property
    def emc_percent(self) -> float:
        """Give the EMC of wood in this air."""
        return wood.emc_percent(self.temperature_c, self.rh_percent)


def emc_answer(here: Air, in_service: Air | None, units: Units) -> Answer:
    """Answer: what does wood tend to here, what will it in service, and how far apart are they?"""
    band = wood.sorption_band_percent(here.temperature_c, here.rh_percent)
    lines = [
        (f"EMC at {here.words(units)}", f"{here.emc_percent:.1f} % MC"),
        ("  a board gaining moisture stops near", f"{band.adsorption_percent:.1f} % MC"),
        ("  a board losing moisture stops near", f"{band.desorption_percent:.1f} % MC"),
    ]
    values: dict[str, object] = {
        "temperature_c": _rounded(here.temperature_c),
        "rh_percent": here.rh_percent,
        "emc_percent": _rounded(here.emc_percent),
        "adsorption_percent": _rounded(band.adsorption_percent),
        "desorption_percent": _rounded(band.desorption_percent),
    }
    if in_service is not None:
        apart = here.emc_percent - in_service.emc_percent
        lines += [
            (f"EMC in service, {in_service.words(units)}", f"{in_service.emc_percent:.1f} % MC"),
            ("here above in service" if apart >= 0 else "here below in service", f"{abs(apart):.1f} % MC"),
        ]
        values |= {
            "in_service_temperature_c": _rounded(in_service.temperature_c),
            "in_service_rh_percent": in_service.rh_percent,
            "in_service_emc_percent": _rounded(in_service.emc_percent),
            "difference_percent": _rounded(apart),
        }
    airs = [air for air in (here, in_service) if air is not None]
    return Answer(tuple(lines), values, (*_range_cautions(airs), EMC_CAUTION))


def rh_answer(temperature_c: float, mc_percent: float, units: Units) -> Answer:
    """Answer: what RH holds wood at this moisture content at this temperature?"""
    rh = wood.rh_for_emc_percent(temperature_c, mc_percent)
    if np.isnan(rh):
        highest = wood.emc_percent(temperature_c, 100.0)
        raise InputError(
            f"no air holds wood at {mc_percent:g} % MC at {_temperature(temperature_c, units)}",
            where="--mc",
            mend=f"The equation ends at {highest:.1f} % MC there.",
        )
    lines = (
        (f"RH that holds {mc_percent:g} % MC at {_temperature(temperature_c, units)}", f"{rh:.0f} % RH"),
        ("  for half a per cent MC less", _rh_words(temperature_c, mc_percent - 0.5)),
        ("  for half a per cent MC more", _rh_words(temperature_c, mc_percent + 0.5)),
    )
    values = {"temperature_c": _rounded(temperature_c), "mc_percent": mc_percent, "rh_percent": _rounded(rh)}
    return Answer(lines, values, (*_range_cautions([Air(temperature_c, rh)]), EMC_CAUTION))


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
            f"a board {_length(asked.width_mm, units)} wide, {_cut(asked.ring_angle_degrees)}",
            _change(floor.board_change_mm, units),
        ),
        ("gap per board", _length(floor.gap_per_board_mm, units)),
    ]
    values: dict[str, object] = {
        "species": asked.species.name,
        "mc_from_percent": asked.mc_from_percent,
        "mc_to_percent": asked.mc_to_percent,
        "width_mm": _rounded(asked.width_mm),
        "ring_angle_degrees": asked.ring_angle_degrees,
        "board_change_mm": _rounded(floor.board_change_mm),
        "gap_per_board_mm": _rounded(floor.gap_per_board_mm),
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
            (f"a run of {_length(asked.run_mm, units)}, were it free", _change(floor.run_change_mm, units)),
            ("room it needs to swell, both sides together", _length(space, units)),
        ]
        values |= {
            "run_mm": _rounded(asked.run_mm),
            "run_change_mm": _rounded(floor.run_change_mm),
            "expansion_space_mm": _rounded(space),
        }
    lines.append(("by", f"{floor.method.value}; {_coefficient_words(asked, floor.method)}"))
    return Answer(tuple(lines), values, (*_movement_cautions(asked), MOVEMENT_CAUTION))


@dataclass(frozen=True, slots=True)
class SettlingQuestion:
    """What is asked of a board in a room."""

    air: Air
    thickness_mm: float
    mc_from_percent: float
    target_percent: float | None = None
    tolerance_percent: float = 0.5
    specific_gravity: float = 0.5
    top_finish: str = "none"
    one_face: bool = False
    units: Units = field(default=Units.SI)


def settling_answer(asked: SettlingQuestion) -> Answer:
    """Answer: how many days until a board of this thickness has settled in this air?"""
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
    faces = "one face open" if asked.one_face else "both faces open to the air"
    lines = (
        ("the room's EMC", f"{asked.air.emc_percent:.1f} % MC at {asked.air.words(asked.units)}"),
        ("board", f"{_length(asked.thickness_mm, asked.units)} thick, {faces}, from {asked.mc_from_percent:g} % MC"),
        ("wanted", f"{target:.1f} % MC, within {asked.tolerance_percent:g} %"),
        ("settled after", _days_words(found)),
        ("  if moisture moves twice as fast", _days(found.fastest_days)),
        ("  if it moves half as fast", _days(found.slowest_days)),
    )
    values = {
        "temperature_c": _rounded(asked.air.temperature_c),
        "rh_percent": asked.air.rh_percent,
        "emc_percent": _rounded(asked.air.emc_percent),
        "thickness_mm": _rounded(asked.thickness_mm),
        "specific_gravity": asked.specific_gravity,
        "mc_from_percent": asked.mc_from_percent,
        "target_percent": _rounded(target),
        "tolerance_percent": asked.tolerance_percent,
        "days": _rounded(found.days),
        "fastest_days": _rounded(found.fastest_days),
        "slowest_days": _rounded(found.slowest_days),
        "spread_factor": SPREAD_FACTOR,
        "looked_days": _rounded(found.looked_days),
    }
    return Answer(lines, values, (*_range_cautions([asked.air]), SETTLING_CAUTION, EMC_CAUTION))


def species_answer(found: list[Species]) -> Answer:
    """Answer: which species are known, and what is known of them?"""
    lines = tuple(
        (s.name, f"{s.group}, {s.change_tangential:.5f} flat-sawn, {s.change_radial:.5f} quarter-sawn") for s in found
    )
    rows = [
        {
            "name": s.name,
            "group": s.group,
            "change_tangential_per_percent": s.change_tangential,
            "change_radial_per_percent": s.change_radial,
            "shrinkage_tangential_percent": _rounded(s.shrinkage_tangential_percent),
            "shrinkage_radial_percent": _rounded(s.shrinkage_radial_percent),
            "shrinkage_read": s.shrinkage_read,
            "specific_gravity_12": s.specific_gravity_12,
            "source": s.source,
        }
        for s in found
    ]
    caution = "Fraction of the width per 1 % MC, valid from 6 to 14 % MC (Wood Handbook, Table 13-5)."
    return Answer(lines, {"species": rows}, (caution,))


def _rounded(value: float | None) -> float | None:
    return None if value is None or np.isnan(value) else float(f"{value:.6g}")


def _temperature(temperature_c: float, units: Units) -> str:
    return f"{fahrenheit_from_celsius(temperature_c):.4g} °F" if units is Units.US else f"{temperature_c:.3g} °C"


def _length(value_mm: float, units: Units) -> str:
    return f"{inches_from_millimetres(value_mm):.3g} in" if units is Units.US else f"{value_mm:.4g} mm"


def _change(value_mm: float, units: Units) -> str:
    return f"{_length(abs(value_mm), units)} {'wider' if value_mm > 0 else 'narrower'}" if value_mm else "no change"


def _cut(angle: float) -> str:
    named = {0.0: "flat-sawn", 90.0: "quarter-sawn"}
    return named.get(angle, f"rings at {angle:g}°")


def _rh_words(temperature_c: float, mc_percent: float) -> str:
    rh = wood.rh_for_emc_percent(temperature_c, mc_percent)
    return "no air does" if np.isnan(rh) else f"{rh:.0f} % RH"


def _days(days: float | None) -> str:
    if days is None:
        return "not at all, or later than was looked"
    return "at once" if days == 0.0 else f"{days:.1f} days" if days < 10.0 else f"{days:.0f} days"


def _days_words(found: Settling) -> str:
    if found.days is not None:
        return _days(found.days)
    return f"never in this air: after {found.looked_days:.0f} days it stands at {found.final_mc_percent:.1f} % MC"


def _coefficient_words(asked: MovementQuestion, method: Method) -> str:
    species, angle = asked.species, asked.ring_angle_degrees
    if method is Method.COEFFICIENT:
        return f"{float(across(species.change_radial, species.change_tangential, angle)):.5f} per % MC"
    shrinkage = across(species.shrinkage_radial_percent, species.shrinkage_tangential_percent, angle)
    return f"{float(shrinkage):.1f} % from green to oven-dry"


def _movement_cautions(asked: MovementQuestion) -> list[str]:
    said = []
    if max(asked.mc_from_percent, asked.mc_to_percent) > FIBRE_SATURATION_PERCENT:
        said.append("Above about 30 % MC wood neither swells nor shrinks; moisture beyond it does not count here.")
    by_coefficient = change_by_coefficient(asked.species.change_tangential, asked.mc_from_percent, asked.mc_to_percent)
    if np.isnan(by_coefficient) and not asked.species.shrinkage_read:
        check = change_by_shrinkage(asked.species.shrinkage_tangential_percent, 30.0, 0.0)
        said.append(
            f"Outside 6 to 14 % MC total shrinkage is used; for this species it is computed back from its coefficient "
            f"({-100.0 * check:.1f} % flat-sawn) and not read in a table."
        )
    return said


def _range_cautions(airs: list[Air]) -> list[str]:
    if all(wood.within_emc_range(air.temperature_c, air.rh_percent) for air in airs):
        return []
    return ["Outside 5 to 95 % RH and -1 to 132 °C the equation is an extrapolation beyond the published table."]
