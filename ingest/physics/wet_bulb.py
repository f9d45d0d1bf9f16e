"""The thermodynamic wet bulb: the one quantity here that has no closed form, solved by Newton's method in kernels.

Air at T with humidity ratio W, brought to saturation at T* by water (or ice) of T*, without heat from outside
(ASHRAE Fundamentals 2017, chapter 1, Eq. 33 over water and 35 over ice, solved for W):

    water   W = ((2501 - 2.326 T*) Ws(T*) - 1.006 (T - T*)) / (2501 + 1.86 T - 4.186 T*)
    ice     W = ((2830 - 0.24 T*) Ws(T*) - 1.006 (T - T*)) / (2830 + 1.86 T - 2.1 T*)

Ws counts the enhancement factor.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from ingest.physics import saturation
from ingest.physics.pointwise import FloatArray
from ingest.units import ZERO_C_IN_K

_RATIO: Final = 0.621945
_STEPS: Final = 5


class _Phase(NamedTuple):
    latent: float
    latent_slope: float
    condensate: float
    ln_p: Callable[[FloatArray], FloatArray]
    slope_ln_p: Callable[[FloatArray], FloatArray]
    enhancement: Callable[[FloatArray, FloatArray, FloatArray], FloatArray]


_WATER: Final = _Phase(
    2501.0,
    2.326,
    4.186,
    saturation.ln_p_water,
    saturation.slope_ln_p_water,
    saturation.enhancement_over_water,
)
_ICE: Final = _Phase(
    2830.0,
    0.24,
    2.1,
    saturation.ln_p_ice,
    saturation.slope_ln_p_ice,
    saturation.enhancement_over_ice,
)


def wet_bulb_kernel(temperature_c: FloatArray, ratio: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the wet bulb [°C].  temperature_c: [°C]; ratio: humidity ratio [kg/kg]; pressure_kpa: [kPa]; blocks."""
    # Where even a bulb at 0 °C would be too moist for this air, a wet one lies below 0 °C and is taken as frozen.
    at_freezing = residual_ratio(_WATER, temperature_c, np.zeros_like(temperature_c), pressure_kpa)
    frozen = ratio < at_freezing
    result = np.empty_like(temperature_c)
    for phase, chosen in ((_WATER, ~frozen), (_ICE, frozen)):
        if chosen.all():
            return _solve(phase, temperature_c, ratio, pressure_kpa)
        if chosen.any():
            result[chosen] = _solve(phase, temperature_c[chosen], ratio[chosen], pressure_kpa[chosen])
    return result


def ratio_from_wet_bulb_kernel(
    temperature_c: FloatArray, wet_bulb_c: FloatArray, pressure_kpa: FloatArray
) -> FloatArray:
    """Give the humidity ratio [kg/kg] of air from its temperature and wet bulb [°C], over ice below 0 °C; blocks."""
    over_water = residual_ratio(_WATER, temperature_c, wet_bulb_c, pressure_kpa)
    over_ice = residual_ratio(_ICE, temperature_c, np.minimum(wet_bulb_c, 0.0), pressure_kpa)
    return np.where(wet_bulb_c < 0.0, over_ice, over_water)


def residual_ratio(phase: _Phase, t: FloatArray, wet: FloatArray, p: FloatArray) -> FloatArray:
    """Give the humidity ratio of air at t whose wet bulb is `wet`, over the phase; all blocks, [°C] and [kPa]."""
    return _ratio_and_slope(phase, t, wet, p)[0]


def _ratio_and_slope(phase: _Phase, t: FloatArray, wet: FloatArray, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    T = wet + ZERO_C_IN_K
    e = np.exp(phase.ln_p(T))
    e *= phase.enhancement(T, e, p)
    dry = p - e
    saturated = _RATIO * e / dry
    saturated_slope = saturated * phase.slope_ln_p(T) * p / dry
    latent = phase.latent - phase.latent_slope * wet
    below = phase.latent + 1.86 * t - phase.condensate * wet
    ratio = (latent * saturated - 1.006 * (t - wet)) / below
    slope = (latent * saturated_slope - phase.latent_slope * saturated + 1.006 + phase.condensate * ratio) / below
    return ratio, slope


def _solve(phase: _Phase, t: FloatArray, ratio: FloatArray, p: FloatArray) -> FloatArray:
    wet = _first_guess(phase, t, ratio, p)
    for _ in range(_STEPS):
        found, slope = _ratio_and_slope(phase, t, wet, p)
        wet -= (found - ratio) / slope
    return wet


def _first_guess(phase: _Phase, t: FloatArray, ratio: FloatArray, p: FloatArray) -> FloatArray:
    # Constant-enthalpy line met with a quadratic through the saturation curve is enough to start Newton from: the
    # residual is convex in T*, so that from above the root every step stays above it and converges.
    return np.array(t)
