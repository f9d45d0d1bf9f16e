"""The derived quantities as data: what each is called, its unit, and how it is computed from a reading.

The one list for everyone: the store keeps these series, the filter appends these columns, pages and mails print them.
Each `compute` takes (temperature_c, rh_percent, pressure_kpa) as floats or arrays that broadcast; NaN means not known.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.physics import air, wood
from ingest.physics import air_kernels as k
from ingest.physics import saturation as sat
from ingest.physics.pointwise import FloatArray, Values, inside, pointwise_many
from ingest.physics.wet_bulb import wet_bulb_kernel
from ingest.units import ZERO_C_IN_K

Compute = Callable[[Values, Values, Values], Values]


@dataclass(frozen=True, slots=True)
class DerivedQuantity:
    """A quantity computed from temperature, RH and air pressure: its one name, its title and unit as printed."""

    name: str
    title: str
    unit: str
    compute: Compute  # (temperature_c, rh_percent, pressure_kpa) -> float or float64 array, as the inputs are


def _of_two(function: Callable[..., Values]) -> Compute:
    # Air pressure takes part in the broadcast all the same, so that every quantity of one batch has one shape.
    def compute(temperature_c: Values, rh_percent: Values, pressure_kpa: Values) -> Values:
        result = function(temperature_c, rh_percent)
        shape = np.broadcast_shapes(np.shape(result), np.shape(pressure_kpa))
        return result if shape == np.shape(result) else np.array(np.broadcast_to(result, shape))

    return compute


def _of_three(function: Callable[..., Values]) -> Compute:
    def compute(temperature_c: Values, rh_percent: Values, pressure_kpa: Values) -> Values:
        return function(temperature_c, rh_percent, pressure_kpa)

    return compute


def _by_name(*quantities: DerivedQuantity) -> Mapping[str, DerivedQuantity]:
    return {quantity.name: quantity for quantity in quantities}


DERIVED: Final[Mapping[str, DerivedQuantity]] = _by_name(
    DerivedQuantity("dew_point_c", "Dew point", "°C", _of_two(air.dew_point_c)),
    DerivedQuantity("vapour_pressure_kpa", "Vapour pressure", "kPa", _of_two(air.vapour_pressure_kpa)),
    DerivedQuantity("vpd_kpa", "Vapour-pressure deficit", "kPa", _of_two(air.vpd_kpa)),
    DerivedQuantity("humidity_ratio_g_kg", "Humidity ratio", "g/kg", _of_three(air.humidity_ratio_g_kg)),
    DerivedQuantity("grains_per_pound", "Grains per pound", "gr/lb", _of_three(air.grains_per_pound)),
    DerivedQuantity("wet_bulb_c", "Wet bulb", "°C", _of_three(air.wet_bulb_c)),
    DerivedQuantity("enthalpy_kj_kg", "Enthalpy", "kJ/kg", _of_three(air.enthalpy_kj_kg)),
    DerivedQuantity("absolute_humidity_g_m3", "Absolute humidity", "g/m³", _of_three(air.absolute_humidity_g_m3)),
    DerivedQuantity("emc_percent", "Equilibrium moisture content", "% MC", _of_two(wood.emc_percent)),
)


def derive_all(temperature_c: Values, rh_percent: Values, pressure_kpa: Values) -> dict[str, FloatArray]:
    """Compute every derived quantity in one pass, sharing what they have in common.

    temperature_c: [°C]; rh_percent: [%] over liquid water; pressure_kpa: [kPa]; floats or arrays that broadcast.
    Gives name -> float64 array of the broadcast shape, in the order of `DERIVED`; NaN where not known. The values are
    those of the quantities' own `compute` but for the last bits.
    """
    results = pointwise_many(_all_nine, len(DERIVED), temperature_c, rh_percent, pressure_kpa)
    return {name: np.asarray(result, dtype=np.float64) for name, result in zip(DERIVED, results, strict=True)}


def _all_nine(temperature_c: FloatArray, rh_percent: FloatArray, p: FloatArray) -> tuple[FloatArray, ...]:
    t = inside(temperature_c, *k.TEMPERATURE_RANGE_C)
    T = t + ZERO_C_IN_K
    h = k.fraction(rh_percent)
    ln_e = sat.ln_p_water(T)
    saturated = np.exp(ln_e)
    ln_e += np.log(h)
    e = saturated * h
    deficit = saturated - e
    saturated *= sat.enhancement_over_water(T, saturated, p)
    saturated *= h
    ratio = k.ratio(saturated, p)
    return (
        k.dew_point_from_ln(ln_e),
        e,
        deficit,
        ratio,
        ratio * 7.0,
        wet_bulb_kernel(t, 0.001 * ratio, p),
        k.enthalpy_from_ratio(t, ratio),
        k.absolute_from_pressure(saturated, T, p),
        wood.emc_kernel(temperature_c, rh_percent),
    )
