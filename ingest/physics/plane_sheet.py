"""Diffusion into and out of a plane sheet, by series: the exact answer where coefficients are constant.

A sheet of half thickness l, both faces alike, at one moisture content, is put at t = 0 into air of another. With
Bi = S l / D and Fo = D t / l²:

    E(mean)  = Σ 2 Bi² exp(-b² Fo) / (b² (b² + Bi² + Bi)),      b tan b = Bi
    E(x/l)   = Σ 2 Bi cos(b x/l) exp(-b² Fo) / ((b² + Bi² + Bi) cos b)

E is the fraction of the change still to come. Sources: Newman (1931); Crank, The Mathematics of Diffusion (2nd ed.
1975), 4.3.6, Eq. 4.50 and 4.53; without surface resistance (Bi infinite) b = (n + 1/2) π.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from ingest.physics.pointwise import FloatArray

_NEWTON_STEPS: Final = 60


@lru_cache(maxsize=64)
def roots(biot: float, count: int) -> FloatArray:
    """Give the first `count` positive roots b of b tan b = Bi, rising; Bi above 0, math.inf for no surface resistance.

    Raises ValueError for a Bi that is not above 0.
    """
    if not biot > 0.0:
        raise ValueError(f"the Biot number must be above 0, not {biot}")
    base = np.arange(count, dtype=np.float64) * math.pi
    if math.isinf(biot):
        return np.asarray(base + 0.5 * math.pi, dtype=np.float64)
    # b = n pi + a with a in (0, pi/2): f(a) = (n pi + a) sin a - Bi cos a rises through its only zero there.
    low, high = np.zeros(count), np.full(count, 0.5 * math.pi)
    for _ in range(_NEWTON_STEPS):
        middle = 0.5 * (low + high)
        beyond = (base + middle) * np.sin(middle) > biot * np.cos(middle)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return np.asarray(base + 0.5 * (low + high), dtype=np.float64)


def fraction_left_mean(biot: float, fourier: float, terms: int = 400) -> float:
    """Give the fraction of the change in mean moisture content that is still to come, 1 at Fo = 0 to 0.

    biot: S l / D, above 0 or infinite.  fourier: D t / l², at least 0.  Error below 1e-8 from Fo = 1e-4 on.
    """
    b2 = roots(biot, terms) ** 2
    weights = 2.0 / b2 if math.isinf(biot) else 2.0 * biot**2 / (b2 * (b2 + biot**2 + biot))
    return float(np.sum(weights * np.exp(-b2 * fourier)))


def fraction_left_at(biot: float, fourier: float, position: float, terms: int = 400) -> float:
    """Give the fraction of the change still to come at one depth.  position: x / l, 0 the middle, 1 the surface.

    Error below 1e-8 from Fo = 1e-3 on; below that the series needs more terms.
    """
    b = roots(biot, terms)
    b2 = b * b
    if math.isinf(biot):
        signs = np.where(np.arange(terms) % 2 == 0, 1.0, -1.0)
        weights = 2.0 * signs / b
    else:
        # 1 / cos b from b tan b = Bi, without dividing by a cosine near zero: cos b = ± b / sqrt(b² + Bi²).
        signs = np.where(np.arange(terms) % 2 == 0, 1.0, -1.0)
        weights = 2.0 * biot * signs * np.sqrt(b2 + biot**2) / (b * (b2 + biot**2 + biot))
    return float(np.sum(weights * np.cos(b * position) * np.exp(-b2 * fourier)))
