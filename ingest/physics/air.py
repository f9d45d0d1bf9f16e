"""Moist air: what a temperature and a relative humidity imply.

Conventions, everywhere in lumberroom:

* Relative humidity is over **liquid water at every temperature**, also below 0 °C (WMO-No. 8); that is how sensors
  report it. `dew_point_c` is over liquid water, `frost_point_c` over ice; they differ by up to 3 °C and never mix.
* Functions take a float or a float64 array, broadcast, and give the same kind back (`pointwise`).
* Nothing raises and nothing is clipped. NaN means "not known": a NaN input, a value that cannot be (RH outside
  0..100 %, pressure not above the vapour's), or one outside the equations' range (temperature outside
  `TEMPERATURE_RANGE_C`). Below 0 °C the equation over water is extrapolated; `METHODS.md` says how good that is.
* Humidity ratio and what follows from it (grains per pound, wet bulb, enthalpy, absolute humidity) count the
  **enhancement factor** (moist air holds 0.4..0.6 % more vapour at saturation than pure vapour pressure says) unless
  asked not to with `enhancement=False`. Vapour pressure and dew point do not: RH times the pure saturation pressure.

Equation numbers are those of the ASHRAE Handbook Fundamentals (2017), chapter 1, SI edition.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.physics import saturation
from ingest.physics.pointwise import FloatArray, Number, Values, inside, pointwise
from ingest.physics.wet_bulb import wet_bulb_kernel
from ingest.units import ZERO_C_IN_K, grains_per_pound_from_g_kg

TEMPERATURE_RANGE_C: Final = (-100.0, 200.0)
ICE_RANGE_C: Final = (-100.0, 0.01)
STANDARD_PRESSURE_KPA: Final = 101.325
MOLAR_MASS_RATIO: Final = 0.621945  # water to dry air, Eq. 20
GAS_CONSTANT_DRY_AIR: Final = 0.287042  # kPa m3 / (kg K), Eq. 2
# Highest ground on Earth is at 8.8 km, the lowest dry land at -0.43 km; the formula itself is for -5..11 km.
ELEVATION_RANGE_M: Final = (-5000.0, 11000.0)


def saturation_vapour_pressure_kpa(temperature_c: Number) -> Number:
    """Saturation vapour pressure over liquid water [kPa], supercooled below 0 °C.

    temperature_c: [°C], -100..200, else NaN.  Source: Hyland and Wexler (1983), Eq. 6; fitted for 0..200 °C and
    extrapolated below: within 0.1 % of Murphy and Koop (2005) to -30 °C, see METHODS.md.
    """
    return pointwise(_saturation, temperature_c)


def saturation_vapour_pressure_ice_kpa(temperature_c: Number) -> Number:
    """Saturation vapour pressure over ice [kPa].

    temperature_c: [°C], -100..0.01, else NaN (there is no ice above).  Source: Hyland and Wexler (1983), Eq. 5.
    """
    return pointwise(_saturation_ice, temperature_c)


def vapour_pressure_kpa(temperature_c: Number, rh_percent: Number) -> Number:
    """Partial pressure of water vapour [kPa]: RH times the saturation pressure over liquid water (Eq. 22).

    temperature_c: [°C], -100..200.  rh_percent: [%] over liquid water, 0..100.  Else NaN.  No enhancement factor.
    """
    return pointwise(_vapour_pressure, temperature_c, rh_percent)


def vpd_kpa(temperature_c: Number, rh_percent: Number) -> Number:
    """Vapour-pressure deficit [kPa]: saturation over liquid water minus vapour pressure, at air temperature.

    temperature_c: [°C], -100..200.  rh_percent: [%], 0..100.  Else NaN.
    """
    return pointwise(_deficit, temperature_c, rh_percent)


def dew_point_c(temperature_c: Number, rh_percent: Number) -> Number:
    """Dew point over liquid water [°C], also where it lies below 0 °C (there, frost forms sooner: `frost_point_c`).

    temperature_c: [°C], -100..200.  rh_percent: [%], above 0 to 100.  Else NaN, and NaN where the dew point would be
    below -100 °C.  The inverse of Hyland-Wexler (Eq. 6) to better than 1e-8 °C.
    """
    return pointwise(_dew_point, temperature_c, rh_percent)


def frost_point_c(temperature_c: Number, rh_percent: Number) -> Number:
    """Frost point [°C]: the temperature at which ice is in equilibrium with this air.

    temperature_c: [°C], -100..200.  rh_percent: [%] over liquid water, above 0 to 100.  NaN where the air holds more
    vapour than ice has at its melting point (dew point above 0.01 °C): it has no frost point. May exceed the air's
    temperature below 0 °C, when RH over water is high: such air is supersaturated over ice.
    Source: inverse of Hyland and Wexler (1983), Eq. 5, to 2e-8 °C.
    """
    return pointwise(_frost_point, temperature_c, rh_percent)


def rh_from_dew_point_percent(temperature_c: Number, dew_point_c: Number) -> Number:
    """Relative humidity over liquid water [%] from air temperature and dew point over liquid water.

    temperature_c, dew_point_c: [°C], -100..200; NaN outside, and where the dew point lies above the temperature.
    """
    return pointwise(_rh_from_dew_point, temperature_c, dew_point_c)


def rh_from_frost_point_percent(temperature_c: Number, frost_point_c: Number) -> Number:
    """Relative humidity over liquid water [%] from air temperature and frost point over ice.

    temperature_c: [°C], -100..200.  frost_point_c: [°C], -100..0.01.  Else NaN, and NaN above 100 %.
    """
    return pointwise(_rh_from_frost_point, temperature_c, frost_point_c)


def enhancement_factor(temperature_c: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA) -> Number:
    """How much more vapour saturated moist air holds than pure vapour pressure says: f, 1.003..1.006 indoors.

    temperature_c: [°C], over liquid water (supercooled below 0).  pressure_kpa: air pressure [kPa].
    Source: Greenspan (1976) form, Hardy (1998) coefficients, -50..100 °C; elsewhere NaN.
    """
    return pointwise(_enhancement, temperature_c, pressure_kpa)


def humidity_ratio_g_kg(
    temperature_c: Number,
    rh_percent: Number,
    pressure_kpa: Values = STANDARD_PRESSURE_KPA,
    *,
    enhancement: bool = True,
) -> Number:
    """Humidity ratio [g water vapour per kg dry air], Eq. 20.

    temperature_c: [°C], -100..200.  rh_percent: [%], 0..100.  pressure_kpa: air pressure [kPa], above the vapour's.
    Else NaN.  enhancement: count the enhancement factor (outside -50..100 °C it is taken at the nearer end).
    Within 0.05 % of a real-gas formulation at 0..50 °C; without the factor 0.4..0.6 % low.
    """
    kernel = _humidity_ratio if enhancement else _humidity_ratio_ideal
    return pointwise(kernel, temperature_c, rh_percent, pressure_kpa)


def grains_per_pound(
    temperature_c: Number,
    rh_percent: Number,
    pressure_kpa: Values = STANDARD_PRESSURE_KPA,
    *,
    enhancement: bool = True,
) -> Number:
    """Humidity ratio in the drying trade's unit [grains of water per pound of dry air]: 7 times g/kg.

    Arguments as for `humidity_ratio_g_kg`. It depends on air pressure: 20 °C and 50 % is 51 gr/lb at sea level and
    62 gr/lb at 84 kPa.
    """
    ratio = humidity_ratio_g_kg(temperature_c, rh_percent, pressure_kpa, enhancement=enhancement)
    return grains_per_pound_from_g_kg(ratio)


def rh_from_humidity_ratio_percent(
    temperature_c: Number,
    humidity_ratio_g_kg: Number,
    pressure_kpa: Values = STANDARD_PRESSURE_KPA,
    *,
    enhancement: bool = True,
) -> Number:
    """Relative humidity over liquid water [%] from the humidity ratio [g/kg]; inverse of `humidity_ratio_g_kg`.

    NaN where the air cannot hold that much (over 100 %).
    """
    kernel = _rh_from_humidity_ratio if enhancement else _rh_from_humidity_ratio_ideal
    return pointwise(kernel, temperature_c, humidity_ratio_g_kg, pressure_kpa)


def wet_bulb_c(temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA) -> Number:
    """Thermodynamic wet-bulb temperature [°C], over ice where it lies below 0 °C (Eq. 33 and 35).

    temperature_c: [°C], -100..200.  rh_percent: [%] over liquid water, 0..100.  pressure_kpa: air pressure [kPa].
    Else NaN.  Solved to 1e-6 °C, with the enhancement factor. A wet bulb at 0 °C may be wet or frozen, which differ
    by up to 0.7 °C; here it is wet as long as a wet one is at or above 0 °C. Below 0 °C, air that is supersaturated
    over ice has an (ice) wet bulb above its own temperature.
    """
    return pointwise(_wet_bulb, temperature_c, rh_percent, pressure_kpa)


def enthalpy_kj_kg(temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA) -> Number:
    """Specific enthalpy [kJ per kg dry air], zero for dry air at 0 °C and liquid water at 0 °C (Eq. 30).

    temperature_c: [°C], -100..200.  rh_percent: [%], 0..100.  pressure_kpa: [kPa].  Else NaN.
    """
    return pointwise(_enthalpy, temperature_c, rh_percent, pressure_kpa)


def absolute_humidity_g_m3(
    temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA
) -> Number:
    """Mass of water vapour per volume of moist air [g/m3]; perfect gas with the enhancement factor.

    temperature_c: [°C], -100..200.  rh_percent: [%], 0..100.  pressure_kpa: [kPa] (it enters by the factor alone).
    """
    return pointwise(_absolute_humidity, temperature_c, rh_percent, pressure_kpa)


def pressure_from_elevation_kpa(elevation_m: Number) -> Number:
    """Air pressure [kPa] of the standard atmosphere at this elevation above sea level [m]; -5000..11000, else NaN.

    Eq. 3. Weather moves the true pressure by up to 5 % of this.
    """
    return pointwise(_pressure, elevation_m)


# Kernels: float64 blocks in, a new block out.


def kelvin(temperature_c: FloatArray) -> FloatArray:
    """Give kelvin with NaN outside the equations' range (a kernel, shared with `derived`)."""
    return inside(temperature_c, *TEMPERATURE_RANGE_C) + ZERO_C_IN_K


def fraction(rh_percent: FloatArray) -> FloatArray:
    """Give RH as a fraction with NaN outside 0..100 % (a kernel, shared with `derived`)."""
    return inside(rh_percent, 0.0, 100.0) * 0.01


def _saturation(temperature_c: FloatArray) -> FloatArray:
    return np.asarray(np.exp(saturation.ln_p_water(kelvin(temperature_c))))


def _saturation_ice(temperature_c: FloatArray) -> FloatArray:
    return np.asarray(np.exp(saturation.ln_p_ice(inside(temperature_c, *ICE_RANGE_C) + ZERO_C_IN_K)))


def _vapour_pressure(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    return fraction(rh_percent) * _saturation(temperature_c)


def _deficit(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    return (1.0 - fraction(rh_percent)) * _saturation(temperature_c)


def _ln_vapour_pressure(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    return saturation.ln_p_water(kelvin(temperature_c)) + np.log(fraction(rh_percent))


def _dew_point(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    ln_e = _ln_vapour_pressure(temperature_c, rh_percent)
    return inside(saturation.temperature_over_water(ln_e) - ZERO_C_IN_K, *TEMPERATURE_RANGE_C)


def _frost_point(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    ln_e = _ln_vapour_pressure(temperature_c, rh_percent)
    return inside(saturation.temperature_over_ice(ln_e) - ZERO_C_IN_K, *ICE_RANGE_C)


def _rh_from_dew_point(temperature_c: FloatArray, dew_point: FloatArray) -> FloatArray:
    ln_rh = saturation.ln_p_water(kelvin(dew_point)) - saturation.ln_p_water(kelvin(temperature_c))
    return inside(100.0 * np.exp(ln_rh), 0.0, 100.0)


def _rh_from_frost_point(temperature_c: FloatArray, frost_point: FloatArray) -> FloatArray:
    return inside(100.0 * _saturation_ice(frost_point) / _saturation(temperature_c), 0.0, 100.0)


def _enhancement(temperature_c: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    T = inside(temperature_c, *saturation.ENHANCEMENT_RANGE_C) + ZERO_C_IN_K
    return saturation.enhancement_over_water(T, np.exp(saturation.ln_p_water(T)), pressure_kpa)


def _effective_saturation(temperature_c: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    T = kelvin(temperature_c)
    e = np.exp(saturation.ln_p_water(T))
    return np.asarray(e * saturation.enhancement_over_water(T, e, pressure_kpa))


def _ratio(e: FloatArray, p: FloatArray) -> FloatArray:
    return np.where(p > e, 1000.0 * MOLAR_MASS_RATIO * e / (p - e), np.nan)


def _humidity_ratio(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    return _ratio(fraction(rh_percent) * _effective_saturation(temperature_c, pressure_kpa), pressure_kpa)


def _humidity_ratio_ideal(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    return _ratio(_vapour_pressure(temperature_c, rh_percent), pressure_kpa)


def _partial_pressure(ratio_g_kg: FloatArray, p: FloatArray) -> FloatArray:
    return inside(ratio_g_kg, 0.0, np.inf) * p / (1000.0 * MOLAR_MASS_RATIO + ratio_g_kg)


def _rh_from_humidity_ratio(temperature_c: FloatArray, ratio: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    e = _partial_pressure(ratio, pressure_kpa)
    return inside(100.0 * e / _effective_saturation(temperature_c, pressure_kpa), 0.0, 100.0)


def _rh_from_humidity_ratio_ideal(temperature_c: FloatArray, ratio: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    return inside(100.0 * _partial_pressure(ratio, pressure_kpa) / _saturation(temperature_c), 0.0, 100.0)


def _wet_bulb(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    ratio = 0.001 * _humidity_ratio(temperature_c, rh_percent, pressure_kpa)
    return wet_bulb_kernel(temperature_c, ratio, pressure_kpa)


def enthalpy_kernel(temperature_c: FloatArray, ratio_g_kg: FloatArray) -> FloatArray:
    """Give the enthalpy [kJ/kg dry air] from temperature and humidity ratio [g/kg] (a kernel, Eq. 30)."""
    return 1.006 * temperature_c + 0.001 * ratio_g_kg * (2501.0 + 1.86 * temperature_c)


def _enthalpy(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    return enthalpy_kernel(temperature_c, _humidity_ratio(temperature_c, rh_percent, pressure_kpa))


def _absolute_humidity(temperature_c: FloatArray, rh_percent: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    e = fraction(rh_percent) * _effective_saturation(temperature_c, pressure_kpa)
    return e * (1000.0 * MOLAR_MASS_RATIO / GAS_CONSTANT_DRY_AIR) / kelvin(temperature_c)


def _pressure(elevation_m: FloatArray) -> FloatArray:
    return STANDARD_PRESSURE_KPA * np.power(1.0 - 2.25577e-5 * inside(elevation_m, *ELEVATION_RANGE_M), 5.2559)
