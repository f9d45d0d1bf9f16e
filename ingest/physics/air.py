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

from ingest.physics import air_kernels as k
from ingest.physics.pointwise import Number, Values, pointwise

STANDARD_PRESSURE_KPA: Final = k.STANDARD_PRESSURE_KPA
TEMPERATURE_RANGE_C: Final = k.TEMPERATURE_RANGE_C


def saturation_vapour_pressure_kpa(temperature_c: Number) -> Number:
    """Saturation vapour pressure over liquid water [kPa], supercooled below 0 °C.

    temperature_c: [°C], -100..200, else NaN.  Source: Hyland and Wexler (1983), Eq. 6; fitted for 0..200 °C and
    extrapolated below: within 0.1 % of Murphy and Koop (2005) to -20 °C, 0.7 % to -40 °C.
    """
    return pointwise(k.saturation, temperature_c)


def saturation_vapour_pressure_ice_kpa(temperature_c: Number) -> Number:
    """Saturation vapour pressure over ice [kPa].

    temperature_c: [°C], -100..0.01, else NaN (there is no ice above).  Source: Hyland and Wexler (1983), Eq. 5.
    """
    return pointwise(k.saturation_ice, temperature_c)


def vapour_pressure_kpa(temperature_c: Number, rh_percent: Number) -> Number:
    """Partial pressure of water vapour [kPa]: RH times the saturation pressure over liquid water (Eq. 22).

    temperature_c: [°C], -100..200.  rh_percent: [%] over liquid water, 0..100.  Else NaN.  No enhancement factor.
    """
    return pointwise(k.vapour_pressure, temperature_c, rh_percent)


def vpd_kpa(temperature_c: Number, rh_percent: Number) -> Number:
    """Vapour-pressure deficit [kPa]: saturation over liquid water minus vapour pressure, at air temperature.

    temperature_c: [°C], -100..200.  rh_percent: [%], 0..100.  Else NaN.
    """
    return pointwise(k.deficit, temperature_c, rh_percent)


def dew_point_c(temperature_c: Number, rh_percent: Number) -> Number:
    """Dew point over liquid water [°C], also where it lies below 0 °C (there, frost forms sooner: `frost_point_c`).

    temperature_c: [°C], -100..200.  rh_percent: [%], above 0 to 100.  Else NaN, and NaN where the dew point would be
    below -100 °C.  The inverse of Hyland-Wexler (Eq. 6) to better than 1e-8 °C.
    """
    return pointwise(k.dew_point, temperature_c, rh_percent)


def frost_point_c(temperature_c: Number, rh_percent: Number) -> Number:
    """Frost point [°C]: the temperature at which ice is in equilibrium with this air.

    temperature_c: [°C], -100..200.  rh_percent: [%] over liquid water, above 0 to 100.  NaN where the air holds more
    vapour than ice has at its melting point (dew point above 0.01 °C): it has no frost point. May exceed the air's
    temperature below 0 °C, when RH over water is high: such air is supersaturated over ice.
    Source: inverse of Hyland and Wexler (1983), Eq. 5, to 2e-8 °C.
    """
    return pointwise(k.frost_point, temperature_c, rh_percent)


def rh_from_dew_point_percent(temperature_c: Number, dew_point_c: Number) -> Number:
    """Relative humidity over liquid water [%] from air temperature and dew point over liquid water.

    temperature_c, dew_point_c: [°C], -100..200; NaN outside, and where the dew point lies above the temperature.
    """
    return pointwise(k.rh_from_dew_point, temperature_c, dew_point_c)


def rh_from_frost_point_percent(temperature_c: Number, frost_point_c: Number) -> Number:
    """Relative humidity over liquid water [%] from air temperature and frost point over ice.

    temperature_c: [°C], -100..200.  frost_point_c: [°C], -100..0.01.  Else NaN, and NaN above 100 %.
    """
    return pointwise(k.rh_from_frost_point, temperature_c, frost_point_c)


def enhancement_factor(temperature_c: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA) -> Number:
    """How much more vapour saturated moist air holds than pure vapour pressure says: f, 1.003..1.006 indoors.

    temperature_c: [°C], over liquid water (supercooled below 0).  pressure_kpa: air pressure [kPa].
    Source: Greenspan (1976) form, Hardy (1998) coefficients, -50..100 °C; elsewhere NaN.
    """
    return pointwise(k.enhancement, temperature_c, pressure_kpa)


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
    kernel = k.humidity_ratio if enhancement else k.humidity_ratio_ideal
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
    kernel = k.grains_per_pound if enhancement else k.grains_per_pound_ideal
    return pointwise(kernel, temperature_c, rh_percent, pressure_kpa)


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
    kernel = k.rh_from_humidity_ratio if enhancement else k.rh_from_humidity_ratio_ideal
    return pointwise(kernel, temperature_c, humidity_ratio_g_kg, pressure_kpa)


def wet_bulb_c(temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA) -> Number:
    """Thermodynamic wet-bulb temperature [°C], over ice where it lies below 0 °C.

    temperature_c: [°C], -100..200.  rh_percent: [%] over liquid water, 0..100.  pressure_kpa: air pressure [kPa].
    Else NaN.  Solved to 1e-6 °C, with the enhancement factor; within 0.015 °C of a real-gas formulation at 0..60 °C. A
    bulb near 0 °C may be in balance wet as well as iced, up to 0.7 °C apart; the iced one is given as long as there is
    one. Below 0 °C, air that is supersaturated over ice has an (iced) wet bulb above its own temperature.
    """
    return pointwise(k.wet_bulb, temperature_c, rh_percent, pressure_kpa)


def enthalpy_kj_kg(temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA) -> Number:
    """Specific enthalpy [kJ per kg dry air], zero for dry air at 0 °C and liquid water at 0 °C (Eq. 30).

    temperature_c: [°C], -100..200.  rh_percent: [%], 0..100.  pressure_kpa: [kPa].  Else NaN.
    """
    return pointwise(k.enthalpy, temperature_c, rh_percent, pressure_kpa)


def absolute_humidity_g_m3(
    temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA
) -> Number:
    """Mass of water vapour per volume of moist air [g/m3]; perfect gas with the enhancement factor.

    temperature_c: [°C], -100..200.  rh_percent: [%], 0..100.  pressure_kpa: [kPa] (it enters by the factor alone).
    """
    return pointwise(k.absolute_humidity, temperature_c, rh_percent, pressure_kpa)


def specific_humidity_g_kg(
    temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA
) -> Number:
    """Specific humidity [g water vapour per kg moist air], W / (1 + W), Eq. 9b.  Arguments as `humidity_ratio_g_kg`."""
    return pointwise(k.specific_humidity, temperature_c, rh_percent, pressure_kpa)


def specific_volume_m3_kg(
    temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA
) -> Number:
    """Volume of moist air per kg of dry air [m3/kg] (Eq. 26), perfect gas.  Arguments as for the humidity ratio."""
    return pointwise(k.specific_volume, temperature_c, rh_percent, pressure_kpa)


def degree_of_saturation_percent(
    temperature_c: Number, rh_percent: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA
) -> Number:
    """Humidity ratio as a percentage of that at saturation (over water) at the same temperature and pressure (Eq. 10).

    A little below RH, because humidity ratio bends upward with vapour pressure.  Arguments as for the humidity ratio.
    """
    return pointwise(k.degree_of_saturation, temperature_c, rh_percent, pressure_kpa)


def rh_from_wet_bulb_percent(
    temperature_c: Number, wet_bulb_c: Number, pressure_kpa: Values = STANDARD_PRESSURE_KPA
) -> Number:
    """Relative humidity over liquid water [%] from dry bulb and thermodynamic wet bulb [°C], iced below 0 °C.

    pressure_kpa: air pressure [kPa].  NaN where the wet bulb is too high (over 100 %) or too low (below dry air's).
    """
    return pointwise(k.rh_from_wet_bulb, temperature_c, wet_bulb_c, pressure_kpa)


def rh_over_water_percent(temperature_c: Number, rh_over_ice_percent: Number) -> Number:
    """Convert RH over ice (some weather files below 0 °C) into RH over liquid water, lumberroom's convention [%].

    At and above 0 °C there is no ice, and the value comes back as it is.  NaN outside 0..100 % over water.
    """
    return pointwise(k.rh_over_water, temperature_c, rh_over_ice_percent)


def pressure_from_elevation_kpa(elevation_m: Number) -> Number:
    """Air pressure [kPa] of the standard atmosphere at this elevation above sea level [m]; -5000..11000, else NaN.

    Eq. 3. Weather moves the true pressure by up to 5 % of this.
    """
    return pointwise(k.pressure, elevation_m)
