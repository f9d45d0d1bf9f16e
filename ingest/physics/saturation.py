"""Water vapour at saturation: the equations themselves, as kernels on float64 arrays (see `ingest.physics.pointwise`).

Temperatures T are in kelvin here, pressures in kPa, logarithms natural. `ingest.physics.air` is the door for users.

Sources: saturation pressure, Hyland and Wexler (1983), as equations 5 (over ice) and 6 (over liquid water) of the
ASHRAE Handbook Fundamentals (2017), chapter 1. Enhancement factor: functional form of Greenspan (1976), coefficients
of Hardy (1998), "ITS-90 formulations for vapor pressure, frostpoint temperature, dewpoint temperature, and enhancement
factors in the range -100 to +100 °C". The inverses' rational first guesses were fitted here; see METHODS.md.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.physics.pointwise import FloatArray

LN_PASCALS_PER_KILOPASCAL: Final = float(np.log(1000.0))

# Hyland-Wexler: ln(p / Pa) = C[0]/T + C[1] + C[2] T + ... + C[-1] ln T.
_ICE: Final = (-5.6745359e3, 6.3925247, -9.6778430e-3, 6.2215701e-7, 2.0747825e-9, -9.4840240e-13, 4.1635019)
_WATER: Final = (-5.8002206e3, 1.3914993, -4.8640239e-2, 4.1764768e-5, -1.4452093e-8, 6.5459673)

_ICE_KPA: Final = (_ICE[0], _ICE[1] - LN_PASCALS_PER_KILOPASCAL, *_ICE[2:])
_WATER_KPA: Final = (_WATER[0], _WATER[1] - LN_PASCALS_PER_KILOPASCAL, *_WATER[2:])

# Rational approximations T(ln p) of the inverses, fitted here: over -100..200 °C for water (error below 8e-8 K) and
# -100..0.01 °C for ice (below 1e-10 K). A fit and not Newton's method, because it costs neither logarithm nor loop.
_WATER_INVERSE: Final = (
    (
        280.121476158088,
        -53.640245294771,
        3.4842132981029037,
        -0.07254223041394581,
        -2.9084951940259643e-05,
        -1.0325985119593591e-07,
    ),
    (1.0, -0.24349594707615313, 0.022055619537961833, -0.0008560114852606243, 1.1517161273399137e-05),
)
_ICE_INVERSE: Final = (
    (279.26496650939356, -34.70067429131198, 1.2604164668858397, -0.011800130801443381, -4.863933195108528e-07),
    (1.0, -0.16973260717516708, 0.010139352134987224, -0.00024782011488751204, 2.0361049118607502e-06),
)

ENHANCEMENT_RANGE_C: Final = (-50.0, 100.0)
ENHANCEMENT_RANGE_K: Final = (223.15, 373.15)

# Hardy (1998): ln f = alpha (1 - e/p) + beta (p/e - 1). Over ice: alpha = sum a_i T^i, beta = e^(sum b_i T^i)
_ENHANCEMENT_ICE: Final = (
    (-6.0190570e-2, 7.3984060e-4, -3.0897838e-6, 4.3669918e-9),
    (-9.4868712e1, 7.2392075e-1, -2.1963437e-3, 2.4668279e-6),
)
# Over water Hardy has two sets, -50..0 and 0..100 °C. One polynomial in t/°C each for alpha and for beta/e, fitted here
# to both (f within 1.5e-5 everywhere, 1e-5 at -20..50 °C), needs neither exponential nor a case for each side of 0 °C.
_ALPHA_WATER: Final = (0.000360154307, 2.61144811e-05, 4.36617883e-07, 5.62767401e-09, 1.54422e-11)
_BETA_WATER: Final = (3.4696701e-05, -3.07116531e-07, 1.99143196e-09, -8.99707381e-12, 2.56272693e-14)


def horner(coefficients: tuple[float, ...], x: FloatArray) -> FloatArray:
    """Evaluate a polynomial of at least first degree, lowest power first, in place in one new array."""
    result = x * coefficients[-1]
    for coefficient in coefficients[-2:0:-1]:
        result += coefficient
        result *= x
    result += coefficients[0]
    return result


def ln_p_water(T: FloatArray) -> FloatArray:
    """Give ln(saturation vapour pressure over liquid water / kPa).  T in K, 173.15..473.15 (extrapolated below 273)."""
    return _ln_p(_WATER_KPA, T)


def ln_p_ice(T: FloatArray) -> FloatArray:
    """Give ln(saturation vapour pressure over ice / kPa).  T in K, 173.15..273.16."""
    return _ln_p(_ICE_KPA, T)


def _ln_p(c: tuple[float, ...], T: FloatArray) -> FloatArray:
    result = horner(c[1:-1], T)
    term = c[0] / T
    result += term
    np.log(T, out=term)
    term *= c[-1]
    result += term
    return result


def slope_ln_p_water(T: FloatArray) -> FloatArray:
    """Give d ln p / dT over water [1/K].  T in K."""
    return _slope(_WATER, T)


def slope_ln_p_ice(T: FloatArray) -> FloatArray:
    """Give d ln p / dT over ice [1/K].  T in K."""
    return _slope(_ICE, T)


def _slope(c: tuple[float, ...], T: FloatArray) -> FloatArray:
    powers = tuple(k * value for k, value in enumerate(c[1:-1]))[1:]
    inverse = 1.0 / T
    return horner(powers, T) + inverse * (c[-1] - c[0] * inverse)


def temperature_over_water(ln_p: FloatArray) -> FloatArray:
    """Give the temperature [K] at which liquid water has this ln(vapour pressure / kPa): error below 8e-8 K."""
    return _rational(_WATER_INVERSE, ln_p)


def temperature_over_ice(ln_p: FloatArray) -> FloatArray:
    """Give the temperature [K] at which ice has this ln(vapour pressure / kPa): error below 1e-10 K."""
    return _rational(_ICE_INVERSE, ln_p)


def _rational(guess: tuple[tuple[float, ...], tuple[float, ...]], x: FloatArray) -> FloatArray:
    numerator, denominator = guess
    result = horner(numerator, x)
    result /= horner(denominator, x)
    return result


def enhancement_over_water(T: FloatArray, e: FloatArray, p: FloatArray) -> FloatArray:
    """Give the enhancement factor over liquid water, f = e_s(moist air) / e_s(pure).

    T in K; e: saturation vapour pressure at T [kPa]; p: air pressure [kPa]. -50..100 °C; outside, that of the nearer
    end.
    """
    low, high = ENHANCEMENT_RANGE_K
    if not (T.min() >= low and T.max() <= high):
        T = np.clip(T, low, high)
        e = np.exp(ln_p_water(T))
    t = T - 273.15
    # alpha (1 - e/p) + (beta/e) (p - e) = (alpha/p + beta/e) (p - e)
    ln_f = horner(_ALPHA_WATER, t)
    ln_f /= p
    ln_f += horner(_BETA_WATER, t)
    np.subtract(p, e, out=t)
    ln_f *= t
    return np.exp(ln_f, out=ln_f)


def enhancement_over_ice(T: FloatArray, e: FloatArray, p: FloatArray) -> FloatArray:
    """Give the enhancement factor over ice.  T in K, e and p in kPa; -100..0 °C; above 0 °C an extrapolation."""
    a, b = _ENHANCEMENT_ICE
    ratio = e / p
    ln_f = horner(a, T)
    beta = horner(b, T)
    np.exp(beta, out=beta)
    ln_f *= 1.0 - ratio
    np.reciprocal(ratio, out=ratio)
    ratio -= 1.0
    ratio *= beta
    ln_f += ratio
    return np.exp(ln_f, out=ln_f)
