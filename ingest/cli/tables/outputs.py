"""What is appended to a row: the derived quantities, in US units too where asked, and further columns by option."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ingest import units
from ingest.physics.derived import DERIVED, EXTRA, derive_all
from ingest.physics.mould import VERY_SENSITIVE, Sensitivity
from ingest.physics.pointwise import FloatArray
from ingest.physics.uncertainty import dew_point_uncertainty_c, emc_uncertainty_percent, grains_per_pound_uncertainty


class UsQuantity(NamedTuple):
    """A quantity in a US unit.  source: the quantity it is converted from."""

    source: str
    convert: Callable[[FloatArray], FloatArray]


US_QUANTITIES: Final[Mapping[str, UsQuantity]] = {
    "temperature_f": UsQuantity("temperature_c", units.fahrenheit_from_celsius),
    "dew_point_f": UsQuantity("dew_point_c", units.fahrenheit_from_celsius),
    "wet_bulb_f": UsQuantity("wet_bulb_c", units.fahrenheit_from_celsius),
    "vapour_pressure_inhg": UsQuantity("vapour_pressure_kpa", units.inches_of_mercury_from_kpa),
    "vpd_inhg": UsQuantity("vpd_kpa", units.inches_of_mercury_from_kpa),
    "absolute_humidity_gr_ft3": UsQuantity("absolute_humidity_g_m3", units.grains_per_cubic_foot_from_g_m3),
    "enthalpy_btu_lb": UsQuantity("enthalpy_kj_kg", units.enthalpy_btu_lb),
}
"""Grains per pound, the US unit of the humidity ratio, is among the derived quantities themselves."""


EXTRA_US: Final[Mapping[str, UsQuantity]] = {
    "frost_point_f": UsQuantity("frost_point_c", units.fahrenheit_from_celsius),
    "specific_volume_ft3_lb": UsQuantity("specific_volume_m3_kg", units.cubic_feet_per_pound_from_m3_kg),
}
"""The further quantities (`EXTRA`) that the trade reads in US units; the others are ratios and the same in both."""

DEW_POINT_UNCERTAINTY: Final = ("dew_point_standard_uncertainty", "dew_point_expanded_uncertainty_k2")
UNCERTAINTY_NAMES: Final = (
    *(f"{name}_c" for name in DEW_POINT_UNCERTAINTY),
    "grains_per_pound_standard_uncertainty",
    "grains_per_pound_expanded_uncertainty_k2",
    "emc_standard_uncertainty_percent",
    "emc_expanded_uncertainty_k2_percent",
)
"""k2: expanded with coverage factor 2, about 95 %. Those of EMC are % MC, of the dew point °C."""

MOULD_NAMES: Final = ("mould_index", "mould_critical_rh_percent", "mould_coverage_percent")


class Accuracy(NamedTuple):
    """A sensor's standard uncertainties."""

    temperature_c: float
    rh_percent: float


@dataclass(frozen=True, slots=True)
class MouldWanted:
    """For which kind of surface the mould index is wanted.  longest_gap_hours: more between two rows is a gap."""

    sensitivity: Sensitivity = VERY_SENSITIVE
    decline_factor: float = 1.0
    longest_gap_hours: float = 3.0


@dataclass(frozen=True, slots=True)
class More:
    """Columns beyond the usual ones.  extra: names of `EXTRA`, in its order."""

    extra: tuple[str, ...] = ()
    accuracy: Accuracy | None = None
    mould: MouldWanted | None = None


NOTHING_MORE: Final = More()


def output_names(*, us_units: bool, has_fahrenheit: bool, more: More = NOTHING_MORE) -> tuple[str, ...]:
    """Give the names of the appended columns, in order.  has_fahrenheit: the table has a temperature_f of its own."""
    names = [*DERIVED]
    if us_units:
        names += [name for name in US_QUANTITIES if not (name == "temperature_f" and has_fahrenheit)]
    return (*names, *more_names(more, us_units=us_units), *(MOULD_NAMES if more.mould else ()))


def more_names(more: More, *, us_units: bool) -> tuple[str, ...]:
    """Give the names of the further columns that follow from a row alone, in order."""
    names = list(more.extra)
    if us_units:
        names += [name for name, quantity in EXTRA_US.items() if quantity.source in more.extra]
    if more.accuracy is not None:
        names += UNCERTAINTY_NAMES
        names += [f"{name}_f" for name in DEW_POINT_UNCERTAINTY] if us_units else []
    return tuple(names)


def outputs(
    temperature_c: FloatArray,
    rh_percent: FloatArray,
    pressure_kpa: FloatArray | float,
    *,
    us_units: bool,
    more: More = NOTHING_MORE,
) -> dict[str, FloatArray]:
    """Compute every quantity that may be appended, by name; NaN where one does not exist.

    temperature_c [°C], rh_percent [%], each float64 (n,); pressure_kpa [kPa], (n,) or a number. The mould index is not
    among them: it is of a history and not of a row.
    """
    values = derive_all(temperature_c, rh_percent, pressure_kpa)
    us_quantities: dict[str, UsQuantity] = {**US_QUANTITIES} if us_units else {}
    for name in more.extra:
        values[name] = np.asarray(EXTRA[name].compute(temperature_c, rh_percent, pressure_kpa))
    if us_units:
        us_quantities |= {name: quantity for name, quantity in EXTRA_US.items() if quantity.source in more.extra}
    if more.accuracy is not None:
        values |= _uncertainties(temperature_c, rh_percent, pressure_kpa, more.accuracy)
        if us_units:
            values |= {f"{name}_f": values[f"{name}_c"] * 1.8 for name in DEW_POINT_UNCERTAINTY}
    si = {**values, "temperature_c": np.asarray(temperature_c)}
    return values | {name: quantity.convert(si[quantity.source]) for name, quantity in us_quantities.items()}


def _uncertainties(t: FloatArray, rh: FloatArray, p: FloatArray | float, accuracy: Accuracy) -> dict[str, FloatArray]:
    found = (
        dew_point_uncertainty_c(t, rh, *accuracy),
        grains_per_pound_uncertainty(t, rh, *accuracy, p),
        emc_uncertainty_percent(t, rh, *accuracy),
    )
    return dict(zip(UNCERTAINTY_NAMES, (column for one in found for column in one), strict=True))
