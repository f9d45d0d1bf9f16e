"""Surfaces colder than the air: how far from condensation, and how humid the air is right on them.

Caution: a margin computed from a room sensor and one surface reading says nothing of the corner behind the cupboard.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from ingest.physics import air_kernels as k
from ingest.physics import saturation as sat
from ingest.physics.pointwise import FloatArray, Number, Values, inside, pointwise
from ingest.units import ZERO_C_IN_K

COATING_MARGIN_C: Final = 3.0
"""Least margin above the dew point for coating [°C]: common practice citing ISO 8502-4, which gives the method."""


def condensation_margin_c(temperature_c: Number, rh_percent: Number, surface_temperature_c: Number) -> Number:
    """How far a surface is above the dew point of the air [°C]; negative: water condenses on it.

    temperature_c: of the air [°C], -100..200.  rh_percent: [%] over water, above 0 to 100.  surface_temperature_c:
    [°C].  Else NaN.  Over liquid water; below 0 °C frost forms already above this dew point (`frost_margin_c`).
    """
    return pointwise(_margin, temperature_c, rh_percent, surface_temperature_c)


def frost_margin_c(temperature_c: Number, rh_percent: Number, surface_temperature_c: Number) -> Number:
    """How far a surface is above the frost point of the air [°C]; NaN where the air has none (dew point above 0 °C).

    temperature_c: of the air [°C], -100..200.  rh_percent: [%] over water, above 0 to 100.  surface_temperature_c:
    [°C].
    """
    return pointwise(_frost_margin, temperature_c, rh_percent, surface_temperature_c)


def surface_rh_percent(temperature_c: Number, rh_percent: Number, surface_temperature_c: Number) -> Number:
    """RH over water of the room's air right at a surface [%]: its vapour pressure at the surface's temperature.

    temperature_c: of the air [°C], -100..200.  rh_percent: [%] over water, 0..100.  surface_temperature_c: [°C],
    -100..200.  Else NaN.  100 where the surface is below the dew point: there it is wet, and no RH can say how wet.
    """
    return pointwise(_surface_rh, temperature_c, rh_percent, surface_temperature_c)


def surface_temperature_c(indoor_c: Number, outdoor_c: Number, temperature_factor: Values) -> Number:
    """Temperature of an inside surface [°C] from its temperature factor fRsi (ISO 13788): Te + fRsi (Ti - Te).

    temperature_factor: 0 (outdoors) .. 1 (indoors), else NaN; 1 - Rsi / R for a plain wall.
    """
    return pointwise(_surface_temperature, indoor_c, outdoor_c, temperature_factor)


def _margin(t: FloatArray, rh: FloatArray, surface: FloatArray) -> FloatArray:
    return surface - k.dew_point(t, rh)


def _frost_margin(t: FloatArray, rh: FloatArray, surface: FloatArray) -> FloatArray:
    return surface - k.frost_point(t, rh)


def _surface_rh(t: FloatArray, rh: FloatArray, surface: FloatArray) -> FloatArray:
    e = k.vapour_pressure(t, rh)
    return np.minimum(100.0 * e / np.exp(sat.ln_p_water(k.kelvin(surface))), 100.0)


def _surface_temperature(indoor: FloatArray, outdoor: FloatArray, factor: FloatArray) -> FloatArray:
    low, high = -ZERO_C_IN_K, 200.0
    return inside(outdoor, low, high) + inside(factor, 0.0, 1.0) * (inside(indoor, low, high) - outdoor)
