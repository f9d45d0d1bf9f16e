"""A single point of air: everything that follows from it, with cautions, for people or as JSON."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.cli.tables.outputs import NOTHING_MORE, More, MouldWanted, outputs
from ingest.physics.air import frost_point_c, humidity_ratio_g_kg
from ingest.physics.derived import DERIVED
from ingest.physics.mould import LONGEST_LOOK_WEEKS, critical_rh_percent, weeks_to_index
from ingest.physics.wood import EMC_TABLE_RH_PERCENT, EMC_TABLE_TEMPERATURE_C, within_emc_range
from ingest.present import digits

EMC_CAUTION: Final = (
    "EMC is where wood in general tends to in air that stays so; a real board differs by 1 to 2 % MC with species and "
    "past. Check with a meter, and go by the flooring maker's instructions."
)
ACCURACY_CAUTION: Final = (
    "± is the expanded uncertainty (k = 2, about 95 %) that the sensor's stated accuracy leaves, to first order; where "
    "it hangs and how even the room is come on top."
)
MOULD_CAUTION: Final = (
    "The weeks to mould are an estimate for a surface in this very air that stays so; a colder surface is worse off. "
    "They prove neither growth nor its absence, and suspected mould is for people trained in it and for local rules."
)
_FIRST_ORDER_TIMES: Final = 5.0  # RH below so many standard uncertainties: ln RH bends too much for first order


@dataclass(frozen=True, slots=True)
class Point:
    """Air at one moment.  pressure_assumed: nobody said the pressure; it is the standard one.  more: asked for too."""

    temperature_c: float
    rh_percent: float
    pressure_kpa: float
    pressure_assumed: bool = False
    more: More = NOTHING_MORE


def values_of(point: Point, *, us_units: bool = False) -> dict[str, float | None]:
    """Give the measured and derived quantities by name; None for one that does not exist for this air."""
    given = {name: float(getattr(point, name)) for name in ("temperature_c", "rh_percent", "pressure_kpa")}
    columns = (np.array([given["temperature_c"]]), np.array([given["rh_percent"]]), point.pressure_kpa)
    derived = {name: float(column[0]) for name, column in outputs(*columns, us_units=us_units, more=point.more).items()}
    if point.more.mould is not None:
        derived |= mould_values(point, point.more.mould)
    # Nine digits: more than any of these equations is worth, and no tail of rounding noise.
    return {**given, **{name: float(f"{v:.9g}") if math.isfinite(v) else None for name, v in derived.items()}}


def mould_values(point: Point, wanted: MouldWanted) -> dict[str, float]:
    """Give from what RH mould grows at this temperature, and the weeks to index 1 and 3 in air that stays so.

    NaN weeks: not within two years.
    """
    air, kind = (point.temperature_c, point.rh_percent), wanted.sensitivity
    return {
        "mould_critical_rh_percent": critical_rh_percent(point.temperature_c, kind),
        "mould_weeks_to_index_1": weeks_to_index(*air, 1.0, sensitivity=kind),
        "mould_weeks_to_index_3": weeks_to_index(*air, 3.0, sensitivity=kind),
    }


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
    if point.more.accuracy is not None:
        said.append(ACCURACY_CAUTION)
        if point.rh_percent < _FIRST_ORDER_TIMES * point.more.accuracy.rh_percent:
            said.append("At an RH so low for this sensor the ± of the dew point tells its order and no more.")
    if point.more.mould is not None:
        said.append(MOULD_CAUTION)
    return [*said, EMC_CAUTION]


def as_json(point: Point, *, us_units: bool) -> str:
    """Give the point as one JSON object: quantities by name, and `cautions`. Ignore fields that you do not know."""
    said = cautions(point, digits.Units.US if us_units else digits.Units.SI)
    return json.dumps({**values_of(point, us_units=us_units), "cautions": said}, ensure_ascii=False, indent=2)


def for_people(point: Point, units: digits.Units) -> str:
    """Give the point as a small table with its cautions, as it stands on the terminal."""
    values = values_of(point, us_units=units is digits.Units.US)
    rows = []
    for name in ("temperature_c", "rh_percent", "pressure_kpa", *DERIVED):
        if units is digits.Units.US and name == "humidity_ratio_g_kg":
            continue  # grains per pound says the same in the unit of the trade
        figure = digits.figure(name, values[name], units)
        unit = figure.unit if values[name] is not None else ""
        rows.append(f"{digits.title(name):<30}{figure.number:>9} {unit}{_give_or_take(name, values, units)}")
        if name == "pressure_kpa":
            rows.append("")
    rows += [*_extra_rows(point.more, values, units), *_mould_rows(point.more, values)]
    said = [
        textwrap.fill(caution, width=80, initial_indent="* ", subsequent_indent="  ")
        for caution in cautions(point, units)
    ]
    return "\n".join([*(row.rstrip() for row in rows), "", *said])


_EXTRA_ROWS: Final = {
    "frost_point_c": ("Frost point", "°C", 1),
    "frost_point_f": ("Frost point", "°F", 1),
    "specific_humidity_g_kg": ("Specific humidity", "g/kg", 1),
    "specific_volume_m3_kg": ("Specific volume", "m³/kg", 3),
    "specific_volume_ft3_lb": ("Specific volume", "ft³/lb", 2),
    "degree_of_saturation_percent": ("Degree of saturation", "%", 1),
}
_IN_US_UNITS: Final = {"frost_point_c": "frost_point_f", "specific_volume_m3_kg": "specific_volume_ft3_lb"}
_UNCERTAINTY_OF: Final = {
    "dew_point_c": "dew_point_expanded_uncertainty_k2_c",
    "grains_per_pound": "grains_per_pound_expanded_uncertainty_k2",
    "emc_percent": "emc_expanded_uncertainty_k2_percent",
}


def _give_or_take(name: str, values: Mapping[str, float | None], units: digits.Units) -> str:
    expanded = values.get(_UNCERTAINTY_OF.get(name, ""))
    if expanded is None:
        return ""
    form = digits.display(name).form(units)
    return f" ± {digits.number(expanded * form.scale, form.decimals)} (k = 2)"


def _extra_rows(more: More, values: Mapping[str, float | None], units: digits.Units) -> list[str]:
    rows = []
    for name in more.extra:
        shown = _IN_US_UNITS.get(name, name) if units is digits.Units.US else name
        title, unit, decimals = _EXTRA_ROWS[shown]
        value = values[shown]
        rows.append(f"{title:<30}{digits.number(value, decimals):>9} {unit if value is not None else ''}")
    return rows


def _mould_rows(more: More, values: Mapping[str, float | None]) -> list[str]:
    if more.mould is None:
        return []
    rows = ["", f"Mould on a {more.mould.sensitivity.name} surface ({more.mould.sensitivity.examples})"]
    critical = digits.number(values["mould_critical_rh_percent"], 1)
    rows.append(f"{'  grows from':<30}{critical:>9} % RH at this temperature")
    for index, what in ((1, "under the microscope"), (3, "to be seen by eye")):
        weeks = values[f"mould_weeks_to_index_{index}"]
        if weeks is None:
            rows.append(f"  {what:<28}not within {LONGEST_LOOK_WEEKS / 52:.0f} years of air like this")
        else:
            rows.append(f"  {what:<28}{digits.number(weeks, 1):>9} weeks of air like this")
    return rows


def _emc_range_caution(units: digits.Units) -> str:
    low, high = EMC_TABLE_TEMPERATURE_C
    low_rh, high_rh = EMC_TABLE_RH_PERCENT
    return (
        f"EMC is published for {low_rh:g} to {high_rh:g} % RH and {digits.limit('temperature_c', low, units)} to "
        f"{digits.limit('temperature_c', high, units)}; here it is an extrapolation."
    )
