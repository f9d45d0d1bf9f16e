"""A closed interval, as windows and rules bound things by."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Bounds:
    """A closed interval, open-ended where an end is None. At least one end is set, and low < high."""

    low: float | None = None
    high: float | None = None

    def __post_init__(self) -> None:
        if self.low is None and self.high is None:
            raise ValueError("bounds need a low or a high end")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"the low end {self.low:g} must lie below the high end {self.high:g}")

    def excess(self, value: float) -> float:
        """Give how far `value` lies outside: negative below the low end, positive above the high end, 0 inside."""
        if self.low is not None and value < self.low:
            return value - self.low
        if self.high is not None and value > self.high:
            return value - self.high
        return 0.0

    def narrowed(self, margin: float) -> Bounds | None:
        """Give these bounds drawn in by `margin` at each set end; None where nothing would be left between them."""
        low = None if self.low is None else self.low + margin
        high = None if self.high is None else self.high - margin
        if low is not None and high is not None and not low < high:
            return None
        return Bounds(low, high)
