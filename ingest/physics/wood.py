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

from typing import Final

import numpy as np

from ingest.physics.pointwise import FloatArray, Number, inside, pointwise

EMC_TABLE_TEMPERATURE_C: Final = (-1.2, 132.3)  # 30..270 °F, the Wood Handbook's Table 4-2
EMC_TABLE_RH_PERCENT: Final = (5.0, 95.0)
EMC_COMPUTED_TEMPERATURE_C: Final = (-60.0, 150.0)

# Each parameter of the equation is a + b t + c t^2, t in °C.
_W: Final = (349.0, 1.29, 0.0135)
_K: Final = (0.805, 0.000736, -0.00000273)
_K1: Final = (6.27, -0.00938, -0.000303)
_K2: Final = (1.91, 0.0407, -0.000293)


def emc_percent(temperature_c: Number, rh_percent: Number) -> Number:
    """Equilibrium moisture content of wood [% of oven-dry mass] in air of this temperature and RH.

    temperature_c: [°C], -60..150.  rh_percent: [%], 0..100.  Else NaN.  Published for 5..95 % RH and -1..132 °C
    (`within_emc_range`); outside it is an extrapolation. Reproduces Wood Handbook Table 4-2 within 0.06 % MC.
    """
    return pointwise(emc_kernel, temperature_c, rh_percent)


def rh_for_emc_percent(temperature_c: Number, emc_percent: Number) -> Number:
    """Relative humidity [%] to hold so that wood tends to this EMC [% MC] at this temperature [°C].

    Inverse of `emc_percent` to 1e-9 % RH.  NaN outside -60..150 °C and where no RH of 0..100 % gives that EMC (the
    equation ends at about 27 % MC at 20 °C; the fibre-saturation point is near 30 %).
    """
    return pointwise(_rh_for_emc, temperature_c, emc_percent)


def within_emc_range(
    temperature_c: Number, rh_percent: Number
) -> bool | np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Say whether these lie where the Wood Handbook prints EMC values: 5..95 % RH, -1.2..132.3 °C.  NaN gives False."""
    low_t, high_t = EMC_TABLE_TEMPERATURE_C
    low_rh, high_rh = EMC_TABLE_RH_PERCENT
    t = np.asarray(temperature_c)
    rh = np.asarray(rh_percent)
    inside_both = (t >= low_t) & (t <= high_t) & (rh >= low_rh) & (rh <= high_rh)
    return inside_both if inside_both.ndim else bool(inside_both)


def emc_kernel(temperature_c: FloatArray, rh_percent: FloatArray) -> FloatArray:
    """Give EMC [%] from blocks of temperature [°C] and RH [%] (a kernel, shared with `derived`)."""
    t = inside(temperature_c, *EMC_COMPUTED_TEMPERATURE_C)
    x = inside(rh_percent, 0.0, 100.0) * (0.01 * _quadratic(_K, t))
    return (1800.0 / _quadratic(_W, t)) * _sorbed(x, _quadratic(_K1, t), _quadratic(_K2, t))


def _quadratic(coefficients: tuple[float, float, float], t: FloatArray) -> FloatArray:
    a, b, c = coefficients
    return a + t * (b + c * t)


def _sorbed(x: FloatArray, k1: FloatArray, k2: FloatArray) -> FloatArray:
    """Give the bracket of Eq. 4-5 in x = K h: dissolved water x / (1 - x) plus hydrated water."""
    hydrate = k1 * x
    second = k2 * hydrate * x
    return x / (1.0 - x) + (hydrate + 2.0 * second) / (1.0 + hydrate + second)


def _sorbed_slope(x: FloatArray, k1: FloatArray, k2: FloatArray) -> FloatArray:
    below = 1.0 + k1 * x * (1.0 + k2 * x)
    above = k1 * x * (1.0 + 2.0 * k2 * x)
    hydrated = (k1 * (1.0 + 4.0 * k2 * x) * below - above * k1 * (1.0 + 2.0 * k2 * x)) / (below * below)
    return 1.0 / (1.0 - x) ** 2 + hydrated


def _rh_for_emc(temperature_c: FloatArray, emc: FloatArray) -> FloatArray:
    t = inside(temperature_c, *EMC_COMPUTED_TEMPERATURE_C)
    k, k1, k2 = _quadratic(_K, t), _quadratic(_K1, t), _quadratic(_K2, t)
    wanted = inside(emc, 0.0, np.inf) * _quadratic(_W, t) / 1800.0
    wanted = np.where(wanted <= _sorbed(k, k1, k2) * (1.0 + 1e-12), wanted, np.nan)
    low, high = np.zeros_like(k), np.array(k)
    x = 0.5 * k
    # Newton, kept between bounds that close in: the curve bends both ways, so that bare Newton may leave them.
    for _ in range(12):
        error = _sorbed(x, k1, k2) - wanted
        low = np.where(error < 0.0, x, low)
        high = np.where(error > 0.0, x, high)
        step = x - error / _sorbed_slope(x, k1, k2)
        x = np.where((step >= low) & (step <= high), step, 0.5 * (low + high))
    return 100.0 * x / k + 0.0 * wanted
