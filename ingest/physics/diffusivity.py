"""How fast moisture moves in wood across the grain, and what a face lets through.

**These are estimates.** Published coefficients of one species differ by a factor of two and more with the method, the
direction of change and the piece; `SPREAD_FACTOR` is carried through every date that the board model gives.

Diffusion across the grain after Siau (Transport Processes in Wood, 1984; Wood: Influence of Moisture on Physical
Properties, 1995): bound water in the cell wall, D_b = 7e-6 exp(-(38500 - 290 M) / (R T)) m2/s, and the structure of
lumens and walls, D = D_b / ((1 - a)(1 - a²)) with porosity a² = 1 - G (0.667 + 0.01 M). The equations are from memory
of the books; 7e-6 was read in a public code, and the results are checked against published findings (METHODS.md).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from ingest.physics.pointwise import FloatArray, Number, Values, inside, pointwise

GAS_CONSTANT: Final = 8.314462618  # J / (mol K), exact in the SI
SPREAD_FACTOR: Final = 2.0
"""By how much diffusion may be faster or slower than computed (unsteady against steady measurements differ by 2)."""

FILM_RESISTANCE: Final = 4.0e7
"""Vapour resistance of the air at an indoor surface [m2 s Pa/kg]: 1 / 2.5e-8, building-physics practice (EN 15026)."""

FINISHES: Final[Mapping[str, float]] = {
    "none": 0.0,
    "emulsion paint": 2.5e9,
    "alkyd oil paint": 15e9,
    "polyurethane lacquer": 50e9,
    "linoleum": 25e9,
    "vinyl floor covering": 100e9,
    "polyethylene foil": 250e9,
    "sealed": float("inf"),
}
"""Vapour resistance of a finish or layer on a face [m2 s Pa/kg].

Typical values of SBI direction 178 (Fugt i bygninger, 1993), read in a public help text that quotes it; thickness and
wear change them several times over. "sealed" is the limit.
"""


def transverse_diffusivity(mc_percent: Number, temperature_c: Values, specific_gravity: Values = 0.5) -> Number:
    """Diffusion coefficient of moisture across the grain [m2/s], with moisture content as the potential.

    mc_percent: [% MC], 0..30, else NaN (no free water here).  temperature_c: [°C], -30..80, else NaN.
    specific_gravity: oven-dry mass over volume at 12 % MC, 0.2..1.2, else NaN.
    5e-11 .. 2e-10 m2/s in a softwood indoors, a third of that in oak or beech.  Good to a factor of two.
    """
    return pointwise(_diffusivity, mc_percent, temperature_c, specific_gravity)


def _diffusivity(mc: FloatArray, t: FloatArray, gravity: FloatArray) -> FloatArray:
    mc, t = inside(mc, 0.0, 30.0), inside(t, -30.0, 80.0)
    return siau_kernel(mc, t + 273.15, inside(gravity, 0.2, 1.2))


def siau_kernel(mc: FloatArray, T: FloatArray, gravity: FloatArray) -> FloatArray:
    """Give D [m2/s] from MC [%], temperature [K] and specific gravity, arrays that broadcast to the first's shape."""
    wall = mc * 290.0
    wall -= 38500.0
    wall /= GAS_CONSTANT * T
    np.exp(wall, out=wall)
    wall *= 7e-6
    porosity = mc * -0.01
    porosity -= 0.667
    porosity *= gravity
    porosity += 1.0
    lumen = np.sqrt(porosity)
    np.subtract(1.0, lumen, out=lumen)
    np.subtract(1.0, porosity, out=porosity)
    lumen *= porosity
    wall /= lumen
    return wall
