"""Looked-up physics for the simulated room: saturation and sorption of `ingest.physics`, as tables of plain numbers.

A room's step runs a hundred thousand times for sixty days; a table costs a fiftieth of a call on arrays.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np

from ingest.physics import air, wood

VAPOUR_RATIO: Final = 0.621945  # ratio of the molar masses of water and dry air (ASHRAE Fundamentals 2017, ch. 1)
PRESSURE_KPA: Final = 101.325

_COLDEST_C: Final = -40.0
_WARMEST_C: Final = 70.0
_PER_C: Final = 10
# The sorption equation is tabulated for 0 to 75 °C; wood below freezing is taken to behave as at 0 °C.
_WOOD_C: Final = np.arange(0.0, 76.0, 5.0)


@functools.cache
def _saturation_table() -> list[float]:
    grid = np.linspace(_COLDEST_C, _WARMEST_C, int((_WARMEST_C - _COLDEST_C) * _PER_C) + 1)
    return [float(value) for value in air.saturation_vapour_pressure_kpa(grid)]


@functools.cache
def _emc_table() -> list[list[float]]:
    grid = np.linspace(0.0, 100.0, 101)
    return [[float(v) for v in wood.emc_percent(np.full(101, float(c)), grid)] for c in _WOOD_C]


def _saturation_kpa(temperature_c: float) -> float:
    table = _saturation_table()
    place = (temperature_c - _COLDEST_C) * _PER_C
    index = int(place)
    if not 0 <= index < len(table) - 1:
        raise ValueError(f"a simulated room at {temperature_c:g} °C: its settings make no sense")
    low = table[index]
    return low + (table[index + 1] - low) * (place - index)


def saturation_ratio(temperature_c: float) -> float:
    """Give the humidity ratio of saturated air (kg/kg, over water, at sea level), -40..70 °C, to 1e-5 of itself."""
    pressure = _saturation_kpa(temperature_c)
    return VAPOUR_RATIO * pressure / (PRESSURE_KPA - pressure)


def humidity_percent(temperature_c: float, humidity_ratio: float) -> float:
    """Give the relative humidity over water (%, at most 100) of air of that humidity ratio (kg/kg, sea level)."""
    pressure = PRESSURE_KPA * humidity_ratio / (VAPOUR_RATIO + humidity_ratio)
    return min(100.0 * pressure / _saturation_kpa(temperature_c), 100.0)


def emc_and_slope(temperature_c: float, rh_percent: float) -> tuple[float, float]:
    """Give the EMC (%) and how it changes with RH (% per %), both by straight lines between tabulated values."""
    table = _emc_table()
    warm = temperature_c / 5.0 if temperature_c > 0.0 else 0.0
    row = int(warm)
    column = int(rh_percent) if rh_percent < 100.0 else 99
    share = warm - row
    cold, hot = table[row], table[row + 1]
    low = cold[column] + (hot[column] - cold[column]) * share
    column += 1
    high = cold[column] + (hot[column] - cold[column]) * share
    return low + (high - low) * (rh_percent - column + 1), high - low
