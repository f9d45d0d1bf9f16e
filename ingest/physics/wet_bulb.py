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
# A bulb no further below the air than this is guessed to 0.1 °C at once (at 101 kPa, 0..35 °C and 20 % RH and more: to
# 0.09 °C; 25 % and more at 75 kPa: to 0.22 °C); a worse guess costs a step more, and nothing else.
_NEAR_C: Final = 10.0

# Enthalpies [kJ/kg] as c0 + c1 t + c2 t^2, t in °C, zero for dry air and for liquid water at 0 °C.
_DRY_AIR: Final = (0.0, 1.0056, 1.546e-5)
_VAPOUR: Final = (2500.15, 1.86, -3.3e-4)


class _Phase(NamedTuple):
    condensate: tuple[float, float]  # enthalpy of water or ice, c0 + c1 t
    magnus: tuple[float, float, float]  # ln A, B, C of e = A exp(B t / (C + t)) [kPa], to start from only
    ln_p: Callable[[FloatArray], FloatArray]
    slope_ln_p: Callable[[FloatArray], FloatArray]
    enhancement: Callable[[FloatArray, FloatArray, FloatArray], FloatArray]


# Magnus coefficients as in WMO-No. 8 (Sonntag 1990); A carries an enhancement factor of 1.0043 as well.
_WATER: Final = _Phase(
    (0.0, 4.186),
    (-0.48803, 17.62, 243.12),
    saturation.ln_p_water,
    saturation.slope_ln_p_water,
    saturation.enhancement_over_water,
)
_ICE: Final = _Phase(
    (-333.5, 2.1),
    (-0.48803, 22.46, 272.62),
    saturation.ln_p_ice,
    saturation.slope_ln_p_ice,
    saturation.enhancement_over_ice,
)


# Ice at 0 °C (Hyland-Wexler) and ln f = alpha + beta p there, a line through Hardy's factor at 70..110 kPa (1e-6).
_ICE_AT_ZERO_KPA: Final = 0.6111536
_ICE_AT_ZERO_ALPHA: Final = 3.39e-4
_ICE_AT_ZERO_BETA: Final = 3.5915e-5


def wet_bulb_kernel(temperature_c: FloatArray, ratio: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Give the wet bulb [°C].  temperature_c: [°C]; ratio: humidity ratio [kg/kg]; pressure_kpa: [kPa]; blocks."""
    # Near 0 °C a wet and an iced bulb can both be in balance, up to 0.7 °C apart. Ice, the stable one, is taken as long
    # as it is at or below 0 °C; so does CoolProp.
    if _is_never_iced(temperature_c, pressure_kpa):
        return _solve(_WATER, temperature_c, ratio, pressure_kpa)
    frozen = ratio <= _ratio_of_iced_bulb_at_zero(temperature_c, pressure_kpa)
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


def _ratio_of_iced_bulb_at_zero(t: FloatArray, p: FloatArray) -> FloatArray:
    """Give what `_ratio_over(_ICE, t, 0, p)` gives, sooner: at one temperature most of it is constant."""
    e = np.exp(_ICE_AT_ZERO_ALPHA + _ICE_AT_ZERO_BETA * p) * _ICE_AT_ZERO_KPA
    e *= _RATIO * (_VAPOUR[0] - _ICE.condensate[0]) / (p - e)
    e -= _enthalpy(_DRY_AIR, t)
    e /= _enthalpy(_VAPOUR, t) - _ICE.condensate[0]
    return e


def _is_never_iced(t: FloatArray, p: FloatArray) -> bool:
    """Say whether no bulb can be iced, as in heated rooms: at 0 °C one would need less vapour than none.

    The warmer and the denser the air, the less it needs.
    """
    if t.size == 0 or not p.min() > 1.0:  # boiling at 0 °C: there the balance is another one
        return False
    return bool(_ratio_of_iced_bulb_at_zero(t.min(keepdims=True), p.min(keepdims=True))[0] < 0.0)


def _ratio_over(phase: _Phase, t: FloatArray, wet: FloatArray, p: FloatArray) -> FloatArray:
    """Give the humidity ratio [kg/kg] of air at t [°C] whose wet bulb over this phase is `wet` [°C]."""
    e = _saturation(phase, wet + ZERO_C_IN_K, p)
    condensate = phase.condensate[0] + phase.condensate[1] * wet
    evaporation = _RATIO * e / (p - e) * (_enthalpy(_VAPOUR, wet) - condensate)
    sensible = _enthalpy(_DRY_AIR, t) - _enthalpy(_DRY_AIR, wet)
    return (evaporation - sensible) / (_enthalpy(_VAPOUR, t) - condensate)


def _saturation(phase: _Phase, T: FloatArray, p: FloatArray) -> FloatArray:
    """Give the vapour pressure of saturated moist air over the phase [kPa]."""
    e = phase.ln_p(T)
    np.exp(e, out=e)
    e *= phase.enhancement(T, e, p)
    return e


def _solve(phase: _Phase, t: FloatArray, ratio: FloatArray, p: FloatArray) -> FloatArray:
    """Solve the balance: from a rough start, where the first guess is not good enough, to some hundredths of a degree,
    then exactly.

    A Newton step of s leaves an error of about 0.03 s². The rough part may therefore stop at steps of 1.2 °C and the
    exact one at 0.1 °C; the last step, with the slope at hand, leaves about 1e-6 °C at most.
    """
    air = _enthalpy(_VAPOUR, t)
    air *= ratio
    air += _enthalpy(_DRY_AIR, t)
    wet = _first_guess(phase, t, ratio, p)
    if not np.fmax.reduce(t - wet) <= _NEAR_C:
        for _ in range(_MOST_STEPS):
            if _went(wet, _rough_step(phase, air, ratio, wet, p)) <= 1.2:
                break
    for _ in range(_MOST_STEPS):
        balance, slope = _balance_and_slope(phase, air, ratio, wet, p)
        balance /= slope
        if _went(wet, balance) <= 0.1:
            break
    balance = _balance(phase, air, ratio, wet, p, _saturation(phase, wet + ZERO_C_IN_K, p))[0]
    balance /= slope
    wet -= balance
    return wet


def _went(wet: FloatArray, step: FloatArray) -> float:
    """Subtract the step in place and give the largest; unknown values (NaN) do not count, or they never ended."""
    wet -= step
    np.abs(step, out=step)
    largest = np.fmax.reduce(step)
    return 0.0 if np.isnan(largest) else float(largest)


def _balance(
    phase: _Phase, air: FloatArray, ratio: FloatArray, wet: FloatArray, p: FloatArray, e: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give the energy balance times (p - e), the heat by which vapour counts in its derivative, and p - e.

    air: the air's enthalpy [kJ/kg]; e: vapour pressure of saturated moist air at the bulb. Times (p - e), and so unlike
    W(t*), the balance has no pole at boiling, and no step is led astray.
    """
    condensate = phase.condensate[1] * wet
    condensate += phase.condensate[0]
    latent = _enthalpy(_VAPOUR, wet)
    latent -= condensate
    latent *= _RATIO
    condensate *= ratio
    needed = air - condensate
    needed -= _enthalpy(_DRY_AIR, wet)
    heat = latent + needed
    dry = p - e
    latent *= e
    needed *= dry
    latent -= needed
    return latent, heat, dry


def _balance_and_slope(
    phase: _Phase, air: FloatArray, ratio: FloatArray, wet: FloatArray, p: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Give the balance and its derivative in t*."""
    T = wet + ZERO_C_IN_K
    e = _saturation(phase, T, p)
    balance, heat, dry = _balance(phase, air, ratio, wet, p, e)
    slope = phase.slope_ln_p(T)
    slope *= heat
    # Of the small terms of the derivative only the largest are kept: they change the path, not the place it leads to.
    slope += _RATIO * (_VAPOUR[1] - phase.condensate[1])
    slope *= e
    dry *= _DRY_AIR[1] + phase.condensate[1] * ratio
    slope += dry
    return balance, slope


def _rough_step(phase: _Phase, air: FloatArray, ratio: FloatArray, wet: FloatArray, p: FloatArray) -> FloatArray:
    """Give Newton's step of the same balance with a Magnus curve and constant heats: cheap, to 0.05 °C or so."""
    ln_a, b, c = phase.magnus
    per_c = wet + c
    np.reciprocal(per_c, out=per_c)
    e = per_c * (-b * c)
    e += ln_a + b
    np.exp(e, out=e)
    slope = per_c * per_c
    slope *= b * c
    slope *= e
    dry = p - e
    heat = ratio * phase.condensate[1]
    heat += _DRY_AIR[1]
    needed = heat * wet
    np.subtract(air, needed, out=needed)
    needed -= phase.condensate[0] * ratio
    latent = wet * (_RATIO * (_VAPOUR[1] - phase.condensate[1]))
    latent += _RATIO * (_VAPOUR[0] - phase.condensate[0])
    slope *= latent + needed
    heat *= dry
    slope += heat
    latent *= e
    needed *= dry
    latent -= needed
    latent /= slope
    return latent


def _first_guess(phase: _Phase, t: FloatArray, ratio: FloatArray, p: FloatArray) -> FloatArray:
    """Give a start for Newton's method [°C]: where the psychrometer line meets the chord of the saturation curve.

    The chord runs from the dew (frost) point to the air's own temperature. With a term for the curve's sag the guess is
    within about 1 °C between 10 and 95 % RH.
    """
    ln_a, b, c = phase.magnus
    e = p * ratio
    e /= ratio + _RATIO
    np.maximum(e, 1e-6, out=e)  # dry air has no dew point; any low one will do to start from
    low = np.log(e)
    low -= ln_a
    low *= c / (b - low)
    high = np.exp(ln_a + b - (b * c) / (t + c))
    high -= e
    span = t - low
    span += 1e-3 * (np.abs(span) < 1e-3)  # saturated air: the chord has no length, but any slope will do
    high /= span
    gamma = (1.006 / (_RATIO * (_VAPOUR[0] - phase.condensate[0]))) * p
    guess = gamma * t
    guess += low * high
    guess /= gamma + high
    # The curve sags below its chord: about s² e (x - low)(high - x) / 2 at x, with s = d ln e / dt = 0.06.
    low -= guess
    high *= low
    e -= high
    low *= guess - t
    low *= e
    e *= 0.06
    gamma += e
    low /= gamma
    low *= 0.0017
    guess += low
    return guess
