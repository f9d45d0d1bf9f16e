"""What is appended to a row: the derived quantities, and in US units those that the trade reads in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

import numpy as np

from ingest import units
from ingest.physics.derived import DERIVED, derive_all
from ingest.physics.pointwise import FloatArray

# US tables count dry air from 0 °F, SI tables from 0 °C; both count water from its liquid state at the freezing point.
# The step is the heat of dry air between them, 0.240 Btu/(lb °F) (ASHRAE Fundamentals 2017, ch. 1, Eq. 30 I-P). It must
# be the one of ingest.present.digits, so that a page and a table agree; a test holds them together.
_BTU_LB_AT_0_C: Final = 0.240 * 32.0


def enthalpy_btu_lb(enthalpy_kj_kg: FloatArray) -> FloatArray:
    """Convert kJ/kg above dry air at 0 °C to Btu per lb of dry air above dry air at 0 °F, as US tables count."""
    return units.btu_lb_from_kj_kg(enthalpy_kj_kg) + _BTU_LB_AT_0_C


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
    "enthalpy_btu_lb": UsQuantity("enthalpy_kj_kg", enthalpy_btu_lb),
}
"""Grains per pound, the US unit of the humidity ratio, is among the derived quantities themselves."""


def output_names(*, us_units: bool, has_fahrenheit: bool) -> tuple[str, ...]:
    """Give the names of the appended columns, in order.  has_fahrenheit: the table has a temperature_f of its own."""
    us_names = [name for name in US_QUANTITIES if not (name == "temperature_f" and has_fahrenheit)]
    return (*DERIVED, *us_names) if us_units else tuple(DERIVED)


def outputs(
    temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray | float, *, us_units: bool
) -> dict[str, FloatArray]:
    """Compute every quantity that may be appended, by name; NaN where one does not exist.

    temperature_c [°C], rh_percent [%], each float64 (n,); pressure_kpa [kPa], (n,) or a number.
    """
    values = derive_all(temperature_c, rh_percent, pressure_kpa)
    if us_units:
        si = {**values, "temperature_c": np.asarray(temperature_c)}
        values |= {name: quantity.convert(si[quantity.source]) for name, quantity in US_QUANTITIES.items()}
    return values
