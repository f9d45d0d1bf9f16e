"""Scales and ticks for drawn charts: plain arithmetic, no markup."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Scale:
    """Maps values low..high to positions at_low..at_high (the latter may be the smaller: up is up)."""

    low: float
    high: float
    at_low: float
    at_high: float

    def at(self, value: float) -> float:
        """Give the position of one value."""
        return self.at_low + (value - self.low) * (self.at_high - self.at_low) / (self.high - self.low)

    def positions(self, values: Floats) -> Floats:
        """Give the positions of an array of values, of the same shape."""
        return self.at_low + (values - self.low) * ((self.at_high - self.at_low) / (self.high - self.low))


def nice_step(span: float, most: int) -> float:
    """Give the smallest step of 1, 2 or 5 times a power of ten that divides `span` (> 0) into at most `most` parts."""
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    return next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= rough * (1 - 1e-9))


def ticks(low: float, high: float, most: int) -> list[float]:
    """Give round values within low..high (low < high), at most `most` + 1 of them."""
    step = nice_step(high - low, most)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(step * index, 10) for index in range(first, last + 1)]


def extent(
    values: Sequence[float], *, least_span: float, snap: float, low: float = -math.inf, high: float = math.inf
) -> tuple[float, float]:
    """Give an axis that holds all finite `values` with air around them.

    It is at least `least_span` long, its ends are multiples of `snap` (so that it does not jitter while the air moves
    a little), and it stays within low..high.  Without a value it is centred on 0 within low..high.
    """
    finite = [value for value in values if math.isfinite(value)]
    bottom, top = (min(finite), max(finite)) if finite else (0.0, 0.0)
    air = max((top - bottom) * 0.08, (least_span - (top - bottom)) / 2, snap * 0.25)
    start = max(low, math.floor((bottom - air) / snap) * snap)
    end = min(high, math.ceil((top + air) / snap) * snap)
    # Pressed against a limit, it grows at the other end.
    return (max(low, min(start, end - least_span)), min(high, max(end, start + least_span)))
