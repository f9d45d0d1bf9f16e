"""Wood and the air around it: equilibrium moisture content (EMC) and its inverse.

EMC is the moisture content [% of the oven-dry mass] that wood tends to in air that stays as it is.

Source: Hailwood-Horrobin equation with the temperature-dependent coefficients of the USDA Forest Products Laboratory's
Wood Handbook (FPL-GTR-282, 2021, Eq. 4-5; the same in FPL-GTR-190 and FPL-RN-0268), °C form. It was fitted to Sitka
spruce, initial desorption. **Against a real board the equation is worth 1 to 2 % MC either way**: species, the
direction of change (sorption hysteresis) and heat treatment all matter, and a meter's readings decide.

Like everywhere in this package nothing raises and nothing is clipped: NaN for what cannot be, and the published range,
which is narrower than what the formula computes, is told by `within_emc_range`.
"""

from __future__ import annotations

from typing import Final, Generic, NamedTuple, TypeAlias, cast

import numpy as np
from numpy.typing import NDArray

from ingest.physics.pointwise import FloatArray, Number, inside, pointwise, pointwise_many
from ingest.physics.saturation import horner

EMC_TABLE_TEMPERATURE_C: Final = (-1.2, 132.3)  # 30..270 °F, the Wood Handbook's Table 4-2
EMC_TABLE_RH_PERCENT: Final = (5.0, 95.0)
EMC_COMPUTED_TEMPERATURE_C: Final = (-37.0, 150.0)
"""Outside there is no EMC: below about -37.05 °C the coefficient K2 is negative, and what the equation gives is no
moisture content any more (at -60 °C and 100 % RH, -177 %)."""
HYSTERESIS_RATIO: Final = 0.8  # adsorption to desorption at one RH; 0.75 .. 0.85 with species
_HYSTERESIS_HALF: Final = HYSTERESIS_RATIO**0.5
_MOST_STEPS: Final = 60  # halving alone would need about 50; Newton is through in five or six

Quadratic: TypeAlias = tuple[float, float, float]  # a + b t + c t^2

# W, K, K1, K2 of Eq. 4-5 for t in °C and in °F; the two sets were rounded apart and agree within 0.013 % MC
# to 93 °C (200 °F) and 0.041 to 132 °C (270 °F).
CELSIUS: Final[tuple[Quadratic, ...]] = (
    (349.0, 1.29, 0.0135),
    (0.805, 0.000736, -0.00000273),
    (6.27, -0.00938, -0.000303),
    (1.91, 0.0407, -0.000293),
)
FAHRENHEIT: Final[tuple[Quadratic, ...]] = (
    (330.0, 0.452, 0.00415),
    (0.791, 0.000463, -0.000000844),
    (6.34, 0.000775, -0.0000935),
    (1.09, 0.0284, -0.0000904),
)


def _scaled(coefficients: tuple[Quadratic, ...]) -> tuple[Quadratic, ...]:
    """Give W / 1800 and K / 100, so that the kernel need not multiply by either."""
    (w0, w1, w2), (x0, x1, x2), *rest = coefficients
    return (w0 / 1800.0, w1 / 1800.0, w2 / 1800.0), (x0 / 100.0, x1 / 100.0, x2 / 100.0), *rest


_CELSIUS_SCALED: Final = _scaled(CELSIUS)
_FAHRENHEIT_SCALED: Final = _scaled(FAHRENHEIT)


def emc_percent(temperature_c: Number, rh_percent: Number) -> Number:
    """Equilibrium moisture content of wood [% of oven-dry mass] in air of this temperature and RH.

    temperature_c: [°C], -37..150.  rh_percent: [%], 0..100.  Else NaN.  Published for 5..95 % RH and -1..132 °C
    (`within_emc_range`); outside it is an extrapolation. Reproduces Wood Handbook Table 4-2 within 0.06 % MC.
    """
    return pointwise(emc_kernel, temperature_c, rh_percent)


def rh_for_emc_percent(temperature_c: Number, emc_percent: Number) -> Number:
    """Relative humidity [%] to hold so that wood tends to this EMC [% MC] at this temperature [°C].

    Inverse of `emc_percent` to 1e-9 % RH.  NaN outside -37..150 °C and where no RH of 0..100 % gives that EMC (the
    equation ends at about 27 % MC at 20 °C; the fibre-saturation point is near 30 %).
    """
    return pointwise(_rh_for_emc, temperature_c, emc_percent)


def emc_percent_from_fahrenheit(temperature_f: Number, rh_percent: Number) -> Number:
    """EMC [% MC] by the handbook's °F coefficients: for checking against tables in °F; lumberroom itself uses °C.

    temperature_f: [°F], -34.6..302.  rh_percent: [%], 0..100.  Else NaN. Within 0.013 % MC of `emc_percent` from 30 to
    200 °F, 0.041 to 270 °F.
    """
    return pointwise(_emc_from_fahrenheit, temperature_f, rh_percent)


def emc_slopes(temperature_c: Number, rh_percent: Number) -> EmcSlopes[Number]:
    """How EMC answers to the air: its partial derivatives, analytic.

    temperature_c: [°C], -37..150.  rh_percent: [%], 0..100.  Else NaN.
    """
    slopes = pointwise_many(slopes_kernel, 2, temperature_c, rh_percent)
    return EmcSlopes(*(cast(Number, slope) for slope in slopes))


class EmcSlopes(NamedTuple, Generic[Number]):
    """Partial derivatives of EMC."""

    per_kelvin: Number  # [% MC per °C], negative indoors
    per_rh_percent: Number  # [% MC per % RH], 0.15 .. 0.4 indoors


class SorptionBand(NamedTuple, Generic[Number]):
    """Where a board may stand in air that has stayed as it is: gaining moisture below, losing it above."""

    adsorption_percent: Number
    emc_percent: Number
    desorption_percent: Number


def sorption_band_percent(temperature_c: Number, rh_percent: Number) -> SorptionBand[Number]:
    """EMC [% MC] with the band in which sorption hysteresis leaves a real board.

    The Wood Handbook (ch. 4) puts adsorption at 0.75 .. 0.85 of desorption at one RH, and says that its table stands
    for oscillating desorption, between the two. The band taken here is therefore the equation divided and multiplied
    by the square root of 0.8: from 0.894 to 1.118 times EMC. The ratio's figures are from memory of that chapter; the
    band is a statement of how much is not known and no second equation.
    """
    emc = emc_percent(temperature_c, rh_percent)
    return SorptionBand(emc * _HYSTERESIS_HALF, emc, emc / _HYSTERESIS_HALF)


def within_emc_range(temperature_c: Number, rh_percent: Number) -> bool | NDArray[np.bool_]:
    """Say whether these lie where the Wood Handbook prints EMC values: 5..95 % RH, -1.2..132.3 °C.  NaN gives False."""
    low_t, high_t = EMC_TABLE_TEMPERATURE_C
    low_rh, high_rh = EMC_TABLE_RH_PERCENT
    t = np.asarray(temperature_c)
    rh = np.asarray(rh_percent)
    inside_both = (t >= low_t) & (t <= high_t) & (rh >= low_rh) & (rh <= high_rh)
    return inside_both if inside_both.ndim else bool(inside_both)


def emc_kernel(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give EMC [%] from blocks of temperature [°C] and RH [%] (a kernel, shared with `derived`)."""
    return emc_unchecked(inside(temperature_c, *EMC_COMPUTED_TEMPERATURE_C), inside(rh_percent, 0.0, 100.0))


def emc_unchecked(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give EMC [%] as `emc_kernel` does, from blocks known to lie within -60..150 °C and 0..100 % RH, or NaN."""
    return _emc(_CELSIUS_SCALED, temperature_c, rh_percent)


def _emc_from_fahrenheit(temperature_f: FloatArray, rh_percent: FloatArray) -> FloatArray:
    low, high = EMC_COMPUTED_TEMPERATURE_C
    t = inside(temperature_f, low * 1.8 + 32.0, high * 1.8 + 32.0)
    return _emc(_FAHRENHEIT_SCALED, t, inside(rh_percent, 0.0, 100.0))


def _emc(coefficients: tuple[Quadratic, ...], t: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give Eq. 4-5 over one common denominator, which spares two divisions of three."""
    w, x, k1, k2 = (horner(quadratic, t) for quadratic in coefficients)
    x *= rh_percent
    k1 *= x
    k2 *= x
    k2 *= k1
    k1 += k2
    k2 += k1
    k1 += 1.0
    left = 1.0 - x
    k2 *= left
    x *= k1
    k2 += x
    k1 *= left
    k1 *= w
    k2 /= k1
    return k2


def _sorbed(x: FloatArray, k1: FloatArray, k2: FloatArray) -> FloatArray:
    """Give the bracket of Eq. 4-5 in x = K h: dissolved water x / (1 - x) plus hydrated water."""
    hydrate = k1 * x
    second = k2 * x
    second *= hydrate
    hydrate += second
    second += hydrate
    hydrate += 1.0
    second /= hydrate
    dissolved = x / (1.0 - x)
    dissolved += second
    return dissolved


def _sorbed_slope(x: FloatArray, k1: FloatArray, k2: FloatArray) -> FloatArray:
    """Give the derivative of the bracket in x."""
    below = 1.0 + k1 * x * (1.0 + k2 * x)
    above = k1 * x * (1.0 + 2.0 * k2 * x)
    hydrated = (k1 * (1.0 + 4.0 * k2 * x) * below - above * k1 * (1.0 + 2.0 * k2 * x)) / (below * below)
    return 1.0 / (1.0 - x) ** 2 + hydrated


def slopes_kernel(temperature_c: FloatArray, rh_percent: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give EMC's slopes by temperature and by RH from blocks (a kernel, shared with `uncertainty`)."""
    t = inside(temperature_c, *EMC_COMPUTED_TEMPERATURE_C)
    h = 0.01 * inside(rh_percent, 0.0, 100.0)
    w, k, k1, k2 = (horner(quadratic, t) for quadratic in CELSIUS)
    dw, dk, dk1, dk2 = (b + 2.0 * c * t for _, b, c in CELSIUS)
    x = k * h
    below = 1.0 + k1 * x * (1.0 + k2 * x)
    above = k1 * x * (1.0 + 2.0 * k2 * x)
    by_x = _sorbed_slope(x, k1, k2)
    # The hydrate term N / D by K1 is N / (K1 D^2), because N and D - 1 are proportional to K1; by K2 from N, D at once.
    by_k1 = above / (k1 * below * below)
    by_k2 = k1 * x * x * (2.0 * below - above) / (below * below)
    per_kelvin = 1800.0 / w * (by_x * dk * h + by_k1 * dk1 + by_k2 * dk2) - 1800.0 * dw / (w * w) * _sorbed(x, k1, k2)
    return per_kelvin, 18.0 / w * by_x * k


def _rh_for_emc(temperature_c: FloatArray, emc: FloatArray) -> FloatArray:
    t = inside(temperature_c, *EMC_COMPUTED_TEMPERATURE_C)
    w, k, k1, k2 = (horner(quadratic, t) for quadratic in CELSIUS)
    wanted = inside(emc, 0.0, np.inf) * w / 1800.0
    wanted = np.where(wanted <= _sorbed(k, k1, k2) * (1.0 + 1e-12), wanted, np.nan)
    low, high = np.zeros_like(k), np.array(k)
    x = 0.5 * k
    # Newton, kept between bounds that close in: the curve bends both ways, so that bare Newton may leave them.
    for _ in range(_MOST_STEPS):
        error = _sorbed(x, k1, k2) - wanted
        low = np.where(error < 0.0, x, low)
        high = np.where(error > 0.0, x, high)
        step = x - error / _sorbed_slope(x, k1, k2)
        new = np.where((step >= low) & (step <= high), step, 0.5 * (low + high))
        moved = np.fmax.reduce(np.abs(new - x))
        x = new
        if not moved > 1e-14:
            break
    return np.where(np.isnan(wanted), np.nan, 100.0 * x / k)
