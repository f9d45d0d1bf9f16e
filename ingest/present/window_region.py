"""The geometry of an acclimation window on the temperature-humidity plane, and of the lines of equal EMC. Pure.

A window bounds temperature and RH directly, and EMC along curves. Over each temperature the part that satisfies all
of them is one interval of RH, because EMC rises with RH; so the region is what lies between two curves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from ingest.physics.wood import emc_percent, rh_for_emc_percent
from ingest.site.places import AcclimationWindow

Floats = NDArray[np.float64]

_COLUMNS = 121


@dataclass(frozen=True, slots=True)
class Frame:
    """The part of the plane that is looked at (°C and % RH)."""

    temperature_low_c: float
    temperature_high_c: float
    rh_low_percent: float
    rh_high_percent: float


@dataclass(frozen=True, slots=True)
class Ribbon:
    """What lies between two curves: temperature_c, low_percent, high_percent, each float64 (n,), low <= high."""

    temperature_c: Floats
    low_percent: Floats
    high_percent: Floats


@dataclass(frozen=True, slots=True)
class EmcLine:
    """A line of equal EMC within the frame: temperature_c and rh_percent, each float64 (n,), n >= 2."""

    emc_percent: float
    temperature_c: Floats
    rh_percent: Floats


@lru_cache(maxsize=256)
def window_ribbons(window: AcclimationWindow, frame: Frame) -> tuple[Ribbon, ...]:
    """Give the window's region within the frame, as one ribbon or, where its bounds cut it apart, several."""
    low_c, high_c = frame.temperature_low_c, frame.temperature_high_c
    if window.temperature_c is not None:
        low_c = max(low_c, -math.inf if window.temperature_c.low is None else window.temperature_c.low)
        high_c = min(high_c, math.inf if window.temperature_c.high is None else window.temperature_c.high)
    if not low_c < high_c:
        return ()
    columns = np.linspace(low_c, high_c, _COLUMNS)
    low = np.full(_COLUMNS, frame.rh_low_percent)
    high = np.full(_COLUMNS, frame.rh_high_percent)
    for bottom, top in _rh_bounds(window, columns):
        low = np.maximum(low, bottom)
        high = np.minimum(high, top)
    return tuple(Ribbon(columns[run], low[run], high[run]) for run in _runs(low < high))


def _rh_bounds(window: AcclimationWindow, columns: Floats) -> list[tuple[Floats | float, Floats | float]]:
    bounds: list[tuple[Floats | float, Floats | float]] = []
    if (rh := window.rh_percent) is not None:
        bounds.append((-math.inf if rh.low is None else rh.low, math.inf if rh.high is None else rh.high))
    if (emc := window.emc_percent) is not None:
        bottom = -math.inf if emc.low is None else rh_along(columns, emc.low, beyond=math.inf)
        top = math.inf if emc.high is None else rh_along(columns, emc.high, beyond=math.inf)
        bounds.append((bottom, top))
    return bounds


def rh_along(temperature_c: Floats, level_percent: float, *, beyond: float = math.nan) -> Floats:
    """Give the RH at which wood comes to `level_percent` EMC at each temperature (°C, float64 (n,)).

    An EMC above what saturated air gives is at no RH: `beyond` stands there. One at or below zero is at 0 % RH.
    """
    rh = rh_for_emc_percent(temperature_c, np.full_like(temperature_c, max(level_percent, 0.0)))
    return np.where(np.isnan(rh), beyond, rh)


@lru_cache(maxsize=128)
def emc_lines(frame: Frame, *, most: int = 9) -> tuple[EmcLine, ...]:
    """Give lines of equal EMC across the frame, at whole per cents (or every second, fourth ... one), rising.

    Frames snap to round figures, so that the same ones are asked for again and again: they are kept.
    """
    corners_c = np.array([frame.temperature_low_c, frame.temperature_high_c])
    lowest = float(np.nanmin(emc_percent(corners_c, np.full(2, frame.rh_low_percent))))
    highest = float(np.nanmax(emc_percent(corners_c, np.full(2, frame.rh_high_percent))))
    step = next(step for step in (1, 2, 4, 8, 16, 32) if (highest - lowest) / step <= most)
    levels = range(max(step, math.ceil(lowest / step) * step), math.floor(highest) + 1, step)
    return tuple(line for level in levels for line in emc_line(float(level), frame))


@lru_cache(maxsize=1024)
def emc_line(level_percent: float, frame: Frame) -> tuple[EmcLine, ...]:
    """Give one line of equal EMC within the frame (as pieces, where it leaves and re-enters)."""
    columns = np.linspace(frame.temperature_low_c, frame.temperature_high_c, _COLUMNS)
    rh = rh_along(columns, level_percent)
    inside = (rh >= frame.rh_low_percent) & (rh <= frame.rh_high_percent)
    return tuple(EmcLine(level_percent, columns[run], rh[run]) for run in _runs(inside))


def _runs(mask: NDArray[np.bool_]) -> list[slice]:
    """Give the stretches of two or more True in a row."""
    padded = np.concatenate(([False], mask, [False]))
    starts, ends = np.flatnonzero(padded[1:] & ~padded[:-1]), np.flatnonzero(~padded[1:] & padded[:-1])
    return [slice(int(start), int(end)) for start, end in zip(starts, ends, strict=True) if end - start >= 2]
