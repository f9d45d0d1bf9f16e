"""Moist air, the arithmetic behind `ingest.physics.air`: kernels on one-dimensional float64 blocks, all of one length.

Units and equation numbers as in `air` (ASHRAE Handbook Fundamentals 2017, chapter 1): °C, %, kPa, g/kg. Blocks in, a
new block out; arguments are never written to. NaN in place of whatever is not known.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.physics import saturation as sat
from ingest.physics.pointwise import FloatArray, inside
from ingest.physics.wet_bulb import ratio_from_wet_bulb_kernel, wet_bulb_kernel
from ingest.units import GRAINS_PER_POUND_MASS, ZERO_C_IN_K

TEMPERATURE_RANGE_C: Final = (-100.0, 200.0)
ICE_RANGE_C: Final = (-100.0, 0.01)
STANDARD_PRESSURE_KPA: Final = 101.325
MOLAR_MASS_RATIO: Final = 0.621945  # water to dry air, Eq. 20
GAS_CONSTANT_DRY_AIR: Final = 0.287042  # kPa m3 / (kg K), Eq. 2
# Highest ground on Earth is at 8.8 km, the lowest dry land at -0.43 km; the formula itself is for -5..11 km.
ELEVATION_RANGE_M: Final = (-5000.0, 11000.0)
RATIO_SCALE: Final = 1000.0 * MOLAR_MASS_RATIO  # e / (p - e) to g/kg
GRAINS_SCALE: Final = RATIO_SCALE * GRAINS_PER_POUND_MASS / 1000.0  # ... to grains per pound
ABSOLUTE_SCALE: Final = RATIO_SCALE / GAS_CONSTANT_DRY_AIR  # e / T to g/m3


def kelvin(temperature_c: FloatArray) -> FloatArray:
    """Give kelvin, NaN outside the equations' range."""
    return inside(temperature_c, *TEMPERATURE_RANGE_C) + ZERO_C_IN_K


def fraction(rh_percent: FloatArray) -> FloatArray:
    """Give RH as a fraction, NaN outside 0..100 %."""
    return inside(rh_percent, 0.0, 100.0) * 0.01


def percent(rh_fraction: FloatArray) -> FloatArray:
    """Give RH in percent, NaN above 100 % but for the last bits that a round trip may add."""
    rh = rh_fraction * 100.0
    np.copyto(rh, 100.0, where=(rh > 100.0) & (rh < 100.0 + 1e-9))
    return inside(rh, 0.0, 100.0)


def saturation(temperature_c: FloatArray) -> FloatArray:
    """Give the saturation pressure over water [kPa]."""
    e = sat.ln_p_water(kelvin(temperature_c))
    return np.exp(e, out=e)


def saturation_ice(temperature_c: FloatArray) -> FloatArray:
    """Give the saturation pressure over ice [kPa]."""
    e = sat.ln_p_ice(inside(temperature_c, *ICE_RANGE_C) + ZERO_C_IN_K)
    return np.exp(e, out=e)


def vapour_pressure(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give the vapour pressure [kPa]."""
    e = saturation(temperature_c)
    e *= fraction(rh_percent)
    return e


def deficit(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give the vapour-pressure deficit [kPa]."""
    return saturation(temperature_c) * (1.0 - fraction(rh_percent))


def ln_vapour_pressure(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give ln(vapour pressure / kPa)."""
    ln_e = sat.ln_p_water(kelvin(temperature_c))
    ln_e += np.log(fraction(rh_percent))
    return ln_e


def dew_point_from_ln(ln_e: FloatArray) -> FloatArray:
    """Give the dew point [°C] from ln(vapour pressure / kPa)."""
    t = sat.temperature_over_water(ln_e)
    t -= ZERO_C_IN_K
    return inside(t, *TEMPERATURE_RANGE_C)


def dew_point(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give the dew point over water [°C]."""
    return dew_point_from_ln(ln_vapour_pressure(temperature_c, rh_percent))


def frost_point(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give the frost point over ice [°C]."""
    t = sat.temperature_over_ice(ln_vapour_pressure(temperature_c, rh_percent))
    t -= ZERO_C_IN_K
    return inside(t, *ICE_RANGE_C)


def rh_from_dew_point(temperature_c: FloatArray, dew_point_c: FloatArray) -> FloatArray:
    """Give RH [%] from the dew point over water."""
    return percent(np.exp(sat.ln_p_water(kelvin(dew_point_c)) - sat.ln_p_water(kelvin(temperature_c))))


def rh_from_frost_point(temperature_c: FloatArray, frost_point_c: FloatArray) -> FloatArray:
    """Give RH over water [%] from the frost point over ice."""
    return percent(saturation_ice(frost_point_c) / saturation(temperature_c))


def rh_over_water(temperature_c: FloatArray, rh_over_ice_percent: FloatArray) -> FloatArray:
    """Give RH over water [%] from RH over ice, the same at and above 0 °C."""
    frozen = temperature_c < 0.0
    over_ice = saturation_ice(np.where(frozen, temperature_c, np.nan))
    factor = np.where(frozen, over_ice / saturation(temperature_c), 1.0)
    return percent(0.01 * factor * rh_over_ice_percent)


def enhancement(temperature_c: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the enhancement factor over water."""
    T = inside(temperature_c, *sat.ENHANCEMENT_RANGE_C) + ZERO_C_IN_K
    return sat.enhancement_over_water(T, np.exp(sat.ln_p_water(T)), pressure_kpa)


def effective_saturation(temperature_c: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the saturation pressure of moist air over water [kPa]: the pure one times the enhancement factor."""
    T = kelvin(temperature_c)
    e = sat.ln_p_water(T)
    np.exp(e, out=e)
    e *= sat.enhancement_over_water(T, e, pressure_kpa)
    return e


def ratio(e: FloatArray, p: FloatArray, scale: float = RATIO_SCALE) -> FloatArray:
    """Give the humidity ratio, `scale` e / (p - e), NaN where the vapour alone would exceed the pressure (Eq. 20)."""
    dry = p - e
    result = e / dry
    if scale != 1.0:
        result *= scale
    return result if dry.min() > 0.0 else np.where(dry > 0.0, result, np.nan)


def _vapour(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    e = effective_saturation(temperature_c, pressure_kpa)
    e *= fraction(rh_percent)
    return e


def humidity_ratio(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the humidity ratio [g/kg] with the enhancement factor."""
    return ratio(_vapour(temperature_c, rh_percent, pressure_kpa), pressure_kpa)


def humidity_ratio_ideal(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the humidity ratio [g/kg] without the enhancement factor."""
    return ratio(vapour_pressure(temperature_c, rh_percent), pressure_kpa)


def grains_per_pound(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the humidity ratio [gr/lb] with the enhancement factor."""
    return ratio(_vapour(temperature_c, rh_percent, pressure_kpa), pressure_kpa, GRAINS_SCALE)


def grains_per_pound_ideal(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the humidity ratio [gr/lb] without the enhancement factor."""
    return ratio(vapour_pressure(temperature_c, rh_percent), pressure_kpa, GRAINS_SCALE)


def partial_pressure(ratio_g_kg: FloatArray, p: FloatArray) -> FloatArray:
    """Give the vapour's partial pressure [kPa] from the humidity ratio [g/kg]."""
    return inside(ratio_g_kg, 0.0, np.inf) * p / (RATIO_SCALE + ratio_g_kg)


def rh_from_humidity_ratio(temperature_c: FloatArray, ratio_g_kg: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give RH [%] from the humidity ratio [g/kg], with the enhancement factor."""
    return percent(partial_pressure(ratio_g_kg, pressure_kpa) / effective_saturation(temperature_c, pressure_kpa))


def rh_from_humidity_ratio_ideal(
    temperature_c: FloatArray, ratio_g_kg: FloatArray, pressure_kpa: FloatArray
) -> FloatArray:
    """Give RH [%] from the humidity ratio [g/kg], without the enhancement factor."""
    return percent(partial_pressure(ratio_g_kg, pressure_kpa) / saturation(temperature_c))


def rh_from_wet_bulb(temperature_c: FloatArray, wet_bulb_c: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give RH [%] from the wet bulb."""
    ratio_g_kg = 1000.0 * ratio_from_wet_bulb_kernel(temperature_c, wet_bulb_c, pressure_kpa)
    return rh_from_humidity_ratio(temperature_c, ratio_g_kg, pressure_kpa)


def wet_bulb(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the thermodynamic wet bulb [°C]."""
    return wet_bulb_kernel(temperature_c, 0.001 * humidity_ratio(temperature_c, rh_percent, pressure_kpa), pressure_kpa)


def enthalpy_from_ratio(temperature_c: FloatArray, ratio_g_kg: FloatArray) -> FloatArray:
    """Give the enthalpy [kJ/kg dry air] from temperature and humidity ratio [g/kg] (Eq. 30)."""
    h = temperature_c * 0.00186
    h += 2.501
    h *= ratio_g_kg
    h += 1.006 * temperature_c
    return h


def enthalpy(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the enthalpy [kJ/kg dry air]."""
    return enthalpy_from_ratio(temperature_c, humidity_ratio(temperature_c, rh_percent, pressure_kpa))


def absolute_from_pressure(e: FloatArray, T: FloatArray, p: FloatArray) -> FloatArray:
    """Give the mass of vapour per volume [g/m3] from its pressure e [kPa] at T [K] in air of pressure p [kPa]."""
    result = e * ABSOLUTE_SCALE
    result /= T
    return result if (e < p).all() else np.where(e < p, result, np.nan)


def absolute_humidity(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the mass of vapour per volume [g/m3]."""
    e = _vapour(temperature_c, rh_percent, pressure_kpa)
    return absolute_from_pressure(e, kelvin(temperature_c), pressure_kpa)


def specific_humidity(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the mass of vapour per mass of moist air [g/kg] (Eq. 9b)."""
    w = humidity_ratio(temperature_c, rh_percent, pressure_kpa)
    return w / (1.0 + 0.001 * w)


def specific_volume(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the volume per kg of dry air [m3/kg] (Eq. 26)."""
    w = 0.001 * humidity_ratio(temperature_c, rh_percent, pressure_kpa)
    return GAS_CONSTANT_DRY_AIR * kelvin(temperature_c) * (1.0 + w / MOLAR_MASS_RATIO) / pressure_kpa


def degree_of_saturation(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give W / Ws [%] (Eq. 10)."""
    e = effective_saturation(temperature_c, pressure_kpa)
    return 100.0 * ratio(e * fraction(rh_percent), pressure_kpa) / ratio(e, pressure_kpa)


def pressure(elevation_m: FloatArray) -> FloatArray:
    """Give the standard atmosphere's pressure [kPa] (Eq. 3)."""
    return STANDARD_PRESSURE_KPA * np.power(1.0 - 2.25577e-5 * inside(elevation_m, *ELEVATION_RANGE_M), 5.2559)
