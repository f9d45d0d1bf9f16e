"""Every conversion between units, exact, for the edges only: inside lumberroom everything is SI.

All functions take a float or a NumPy array of any shape and give the same shape back. Definitions: the international
pound, inch and foot (1959), the grain as 1/7000 pound, absolute zero and the Fahrenheit scale by definition; no value
here is measured, so none carries an uncertainty.
"""

from __future__ import annotations

from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

Number = TypeVar("Number", float, NDArray[np.float64])

ZERO_C_IN_K: Final = 273.15
GRAINS_PER_POUND_MASS: Final = 7000.0
METRES_PER_FOOT: Final = 0.3048
MILLIMETRES_PER_INCH: Final = 25.4
KILOGRAMS_PER_POUND: Final = 0.45359237
# International steam table: 1 Btu = 1055.05585262 J; enthalpy of air is given per pound in US units.
KILOJOULES_PER_BTU: Final = 1.05505585262
# US tables count dry air from 0 °F, SI tables from 0 °C; both count water from its liquid state at the freezing point.
# The step is the heat of dry air between them, 0.240 Btu/(lb °F) (ASHRAE Fundamentals 2017, ch. 1, Eq. 30 I-P).
BTU_LB_AT_0_C: Final = 0.240 * 32.0
# 1 psi = 1 lbf/in2 with standard gravity 9.80665 m/s2; an inch of mercury (conventional, 0 °C) = 3.386389 kPa.
KILOPASCALS_PER_PSI: Final = KILOGRAMS_PER_POUND * 9.80665 / (0.0254**2) / 1000.0
KILOPASCALS_PER_INCH_OF_MERCURY: Final = 3.386389


def celsius_from_fahrenheit(temperature_f: Number) -> Number:
    """Convert a temperature from °F to °C."""
    return (temperature_f - 32.0) / 1.8


def fahrenheit_from_celsius(temperature_c: Number) -> Number:
    """Convert a temperature from °C to °F."""
    return temperature_c * 1.8 + 32.0


def kelvin_from_celsius(temperature_c: Number) -> Number:
    """Convert a temperature from °C to K."""
    return temperature_c + ZERO_C_IN_K


def celsius_from_kelvin(temperature_k: Number) -> Number:
    """Convert a temperature from K to °C."""
    return temperature_k - ZERO_C_IN_K


def grains_per_pound_from_g_kg(humidity_ratio_g_kg: Number) -> Number:
    """Convert a humidity ratio from g water per kg dry air to grains per pound of dry air (factor 7)."""
    return humidity_ratio_g_kg * (GRAINS_PER_POUND_MASS / 1000.0)


def g_kg_from_grains_per_pound(grains_per_pound: Number) -> Number:
    """Convert a humidity ratio from grains per pound of dry air to g per kg dry air."""
    return grains_per_pound / (GRAINS_PER_POUND_MASS / 1000.0)


def metres_from_feet(feet: Number) -> Number:
    """Convert a length from international feet to metres."""
    return feet * METRES_PER_FOOT


def feet_from_metres(metres: Number) -> Number:
    """Convert a length from metres to international feet."""
    return metres / METRES_PER_FOOT


def millimetres_from_inches(inches: Number) -> Number:
    """Convert a length from inches to millimetres."""
    return inches * MILLIMETRES_PER_INCH


def inches_from_millimetres(millimetres: Number) -> Number:
    """Convert a length from millimetres to inches."""
    return millimetres / MILLIMETRES_PER_INCH


def btu_lb_from_kj_kg(enthalpy_kj_kg: Number) -> Number:
    """Convert a difference of specific enthalpy from kJ/kg to Btu/lb; for air see `enthalpy_btu_lb`."""
    return enthalpy_kj_kg * (KILOGRAMS_PER_POUND / KILOJOULES_PER_BTU)


def enthalpy_btu_lb(enthalpy_kj_kg: Number) -> Number:
    """Convert kJ/kg above dry air at 0 °C to Btu per lb of dry air above dry air at 0 °F, as US tables count."""
    return btu_lb_from_kj_kg(enthalpy_kj_kg) + BTU_LB_AT_0_C


def inches_of_mercury_from_kpa(pressure_kpa: Number) -> Number:
    """Convert a pressure from kPa to conventional inches of mercury."""
    return pressure_kpa / KILOPASCALS_PER_INCH_OF_MERCURY


def kpa_from_inches_of_mercury(pressure_inhg: Number) -> Number:
    """Convert a pressure from conventional inches of mercury to kPa."""
    return pressure_inhg * KILOPASCALS_PER_INCH_OF_MERCURY


def grains_per_cubic_foot_from_g_m3(absolute_humidity_g_m3: Number) -> Number:
    """Convert an absolute humidity from g/m3 to grains per cubic foot."""
    return absolute_humidity_g_m3 * (GRAINS_PER_POUND_MASS / 1000.0 / KILOGRAMS_PER_POUND * METRES_PER_FOOT**3)


def cubic_feet_per_pound_from_m3_kg(specific_volume_m3_kg: Number) -> Number:
    """Convert a specific volume from m3 per kg to cubic feet per pound."""
    return specific_volume_m3_kg * (KILOGRAMS_PER_POUND / METRES_PER_FOOT**3)
