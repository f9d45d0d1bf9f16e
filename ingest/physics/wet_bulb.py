"""The thermodynamic wet bulb: the one quantity here that has no closed form, solved by Newton's method in kernels.

Air at t with humidity ratio W, brought to saturation at t* by water (or ice) of t*, without heat from outside:

    h_a(t) + W h_v(t) + (Ws(t*) - W) h_c(t*) = h_a(t*) + Ws(t*) h_v(t*)

with the enthalpies of dry air, vapour and condensate (ASHRAE Fundamentals 2017, chapter 1, Eq. 31). Ws counts the
enhancement factor. The handbook's linear enthalpies (Eq. 33 and 35) leave the answer up to 0.015 °C away from a
real-gas formulation; the quadratic ones below, fitted here to CoolProp's humid air at 0..60 °C, up to 0.010 °C.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final, NamedTuple

import numpy as np

from ingest.physics import saturation
from ingest.physics.pointwise import FloatArray
from ingest.units import ZERO_C_IN_K

_RATIO: Final = 0.621945
_MOST_STEPS: Final = 12
_CLOSE_ENOUGH_C: Final = 1e-5  # convergence is quadratic: the step after one of 1e-5 °C is below 1e-11 °C

# Enthalpies [kJ/kg] as c0 + c1 t + c2 t^2, t in °C, zero for dry air and for liquid water at 0 °C.
_DRY_AIR: Final = (0.0, 1.0056, 1.546e-5)
_VAPOUR: Final = (2500.15, 1.86, -3.3e-4)


class _Phase(NamedTuple):
    condensate: tuple[float, float]  # enthalpy of water or ice, c0 + c1 t
    ln_p: Callable[[FloatArray], FloatArray]
    slope_ln_p: Callable[[FloatArray], FloatArray]
    enhancement: Callable[[FloatArray, FloatArray, FloatArray], FloatArray]
    temperature: Callable[[FloatArray], FloatArray]


_WATER: Final = _Phase(
    (0.0, 4.186),
    saturation.ln_p_water,
    saturation.slope_ln_p_water,
    saturation.enhancement_over_water,
    saturation.temperature_over_water,
)
_ICE: Final = _Phase(
    (-333.5, 2.1),
    saturation.ln_p_ice,
    saturation.slope_ln_p_ice,
    saturation.enhancement_over_ice,
    saturation.temperature_over_ice,
)


def wet_bulb_kernel(temperature_c: FloatArray, ratio: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the wet bulb [°C].  temperature_c: [°C]; ratio: humidity ratio [kg/kg]; pressure_kpa: [kPa]; blocks."""
    # Near 0 °C a wet and an iced bulb can both be in balance, up to 0.7 °C apart. Ice, the stable one, is taken as long
    # as it is at or below 0 °C; so does CoolProp.
    frozen = ratio <= _ratio_over(_ICE, temperature_c, np.zeros_like(temperature_c), pressure_kpa)
    if not frozen.any():
        return _solve(_WATER, temperature_c, ratio, pressure_kpa)
    if frozen.all():
        return _solve(_ICE, temperature_c, ratio, pressure_kpa)
    result = np.empty_like(temperature_c)
    for phase, chosen in ((_WATER, ~frozen), (_ICE, frozen)):
        result[chosen] = _solve(phase, temperature_c[chosen], ratio[chosen], pressure_kpa[chosen])
    return result


def ratio_from_wet_bulb_kernel(
    temperature_c: FloatArray, wet_bulb_c: FloatArray, pressure_kpa: FloatArray
) -> FloatArray:
    """Give the humidity ratio [kg/kg] of air from its temperature and wet bulb [°C], iced below 0 °C; blocks."""
    over_water = _ratio_over(_WATER, temperature_c, np.maximum(wet_bulb_c, 0.0), pressure_kpa)
    over_ice = _ratio_over(_ICE, temperature_c, np.minimum(wet_bulb_c, 0.0), pressure_kpa)
    return np.where(wet_bulb_c < 0.0, over_ice, over_water)


def _enthalpy(c: tuple[float, float, float], t: FloatArray) -> FloatArray:
    return saturation.horner(c, t)


def _ratio_over(phase: _Phase, t: FloatArray, wet: FloatArray, p: FloatArray) -> FloatArray:
    """Give the humidity ratio [kg/kg] of air at t [°C] whose wet bulb over this phase is `wet` [°C]."""
    e = _saturation(phase, wet + ZERO_C_IN_K, p)
    condensate = phase.condensate[0] + phase.condensate[1] * wet
    evaporation = _RATIO * e / (p - e) * (_enthalpy(_VAPOUR, wet) - condensate)
    sensible = _enthalpy(_DRY_AIR, t) - _enthalpy(_DRY_AIR, wet)
    return (evaporation - sensible) / (_enthalpy(_VAPOUR, t) - condensate)


def _saturation(phase: _Phase, T: FloatArray, p: FloatArray) -> FloatArray:
    e = phase.ln_p(T)
    np.exp(e, out=e)
    e *= phase.enhancement(T, e, p)
    return e


def _solve(phase: _Phase, t: FloatArray, ratio: FloatArray, p: FloatArray) -> FloatArray:
    wet = _first_guess(phase, t, ratio, p)
    air = _enthalpy(_VAPOUR, t)
    air *= ratio
    air += _enthalpy(_DRY_AIR, t)
    for _ in range(_MOST_STEPS):
        step, slope = _balance_and_slope(phase, air, ratio, wet, p)
        step /= slope
        wet -= step
        np.abs(step, out=step)
        # fmax passes NaN over: one unknown value must not keep its whole block going round.
        if not np.fmax.reduce(step) > _CLOSE_ENOUGH_C:
            break
    return wet


def _balance_and_slope(
    phase: _Phase, air: FloatArray, ratio: FloatArray, wet: FloatArray, p: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Give the energy balance and its derivative in t*.  air: the air's enthalpy [kJ/kg].

    The balance times (p - e): unlike W(t*) it has no pole at boiling, so that Newton's steps cannot be led astray.
    """
    T = wet + ZERO_C_IN_K
    e = _saturation(phase, T, p)
    e_slope = phase.slope_ln_p(T)
    e_slope *= e
    dry = p - e
    condensate = phase.condensate[1] * wet
    condensate += phase.condensate[0]
    latent = _enthalpy(_VAPOUR, wet)
    latent -= condensate
    condensate *= ratio
    needed = air - condensate
    needed -= _enthalpy(_DRY_AIR, wet)
    balance = _RATIO * latent
    slope = (balance + needed) * e_slope
    balance *= e
    balance -= needed * dry
    slope += (_RATIO * (_VAPOUR[1] - phase.condensate[1]) + (2.0 * _RATIO * _VAPOUR[2]) * wet) * e
    slope += (_DRY_AIR[1] + (2.0 * _DRY_AIR[2]) * wet + phase.condensate[1] * ratio) * dry
    return balance, slope


def _first_guess(phase: _Phase, t: FloatArray, ratio: FloatArray, p: FloatArray) -> FloatArray:
    """Give a start for Newton's method [°C]: where the psychrometer line meets the chord of the saturation curve.

    The chord runs from the dew (frost) point to the air's own temperature, so that the guess lies below the root by
    a few degrees at most.
    """
    e = p * ratio / (_RATIO + ratio)
    floor = np.maximum(e, 1e-6)  # dry air has no dew point; any low one will do to start from
    low = phase.temperature(np.log(floor)) - ZERO_C_IN_K
    high = np.exp(phase.ln_p(t + ZERO_C_IN_K))
    chord = (high - floor) / np.where(np.abs(t - low) < 1e-3, np.nan, t - low)
    gamma = (1.006 / (_RATIO * (_VAPOUR[0] - phase.condensate[0]))) * p
    guess = (gamma * t + chord * low) / (gamma + chord)
    return np.where(np.isnan(guess), t, guess)
