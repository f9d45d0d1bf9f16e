"""A single point of air: everything that follows from it, with cautions, for people or as JSON."""

from __future__ import annotations

import json
import math
import textwrap
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.cli.tables.outputs import outputs
from ingest.physics.air import frost_point_c, humidity_ratio_g_kg
from ingest.physics.derived import DERIVED
from ingest.physics.wood import EMC_TABLE_RH_PERCENT, EMC_TABLE_TEMPERATURE_C, within_emc_range
from ingest.present import digits

EMC_CAUTION: Final = (
    "EMC is where wood in general tends to in air that stays so; a real board differs by 1 to 2 % MC with species and "
    "past. Check with a meter, and go by the flooring maker's instructions."
)


@dataclass(frozen=True, slots=True)
class Point:
    """Air at one moment.  pressure_assumed: nobody said the pressure; it is the standard one at sea level."""

    temperature_c: float
    rh_percent: float
    pressure_kpa: float
    pressure_assumed: bool = False


def values_of(point: Point, *, us_units: bool = False) -> dict[str, float | None]:
    """Give the measured and derived quantities by name; None for one that does not exist for this air."""
    given = {name: float(getattr(point, name)) for name in ("temperature_c", "rh_percent", "pressure_kpa")}
    columns = (np.array([given["temperature_c"]]), np.array([given["rh_percent"]]), point.pressure_kpa)
    derived = {name: float(column[0]) for name, column in outputs(*columns, us_units=us_units).items()}
    # Nine digits: more than any of these equations is worth, and no tail of rounding noise.
    return {**given, **{name: float(f"{v:.9g}") if math.isfinite(v) else None for name, v in derived.items()}}


def cautions(point: Point, units: digits.Units = digits.Units.SI) -> list[str]:
    """Say what to be careful about with these figures, each a sentence or two."""
    said = []
    if math.isnan(humidity_ratio_g_kg(point.temperature_c, point.rh_percent, point.pressure_kpa)):
        said.append(
            "Air as hot and humid as this cannot be at this pressure (its vapour would exceed it); "
            "what depends on the pressure is left out."
        )
    if point.rh_percent == 0:
        said.append("Perfectly dry air has no dew point.")
    frost_c = frost_point_c(point.temperature_c, point.rh_percent)
    if not math.isnan(frost_c) and frost_c < 0:
        said.append(
            f"The dew point is over liquid water, also below freezing; hoar frost forms from "
            f"{digits.amount('dew_point_c', frost_c, units)} down."
        )
    if not within_emc_range(point.temperature_c, point.rh_percent):
        said.append(_emc_range_caution(units))
    if point.pressure_assumed:
        said.append(
            f"Air pressure at sea level is assumed ({digits.amount('pressure_kpa', point.pressure_kpa, units)}); "
            "higher up, grains per pound are more: give --elevation or --pressure."
        )
    return [*said, EMC_CAUTION]


def as_json(point: Point, *, us_units: bool) -> str:
    """Give the point as one JSON object: quantities by name, and `cautions`. Ignore fields that you do not know."""
    said = cautions(point, digits.Units.US if us_units else digits.Units.SI)
    return json.dumps({**values_of(point, us_units=us_units), "cautions": said}, ensure_ascii=False, indent=2)


def for_people(point: Point, units: digits.Units) -> str:
    """Give the point as a small table with its cautions, as it stands on the terminal."""
    values = values_of(point)
    rows = []
    for name in ("temperature_c", "rh_percent", "pressure_kpa", *DERIVED):
        if units is digits.Units.US and name == "humidity_ratio_g_kg":
            continue  # grains per pound says the same in the unit of the trade
        figure = digits.figure(name, values[name], units)
        rows.append(f"{digits.title(name):<30}{figure.number:>9} {figure.unit if values[name] is not None else ''}")
        if name == "pressure_kpa":
            rows.append("")
    said = [
        textwrap.fill(caution, width=80, initial_indent="* ", subsequent_indent="  ")
        for caution in cautions(point, units)
    ]
    return "\n".join([*(row.rstrip() for row in rows), "", *said])


def _emc_range_caution(units: digits.Units) -> str:
    low, high = EMC_TABLE_TEMPERATURE_C
    low_rh, high_rh = EMC_TABLE_RH_PERCENT
    return (
        f"EMC is published for {low_rh:g} to {high_rh:g} % RH and {digits.limit('temperature_c', low, units)} to "
        f"{digits.limit('temperature_c', high, units)}; here it is an extrapolation."
    )
