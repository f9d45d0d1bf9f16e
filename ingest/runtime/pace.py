"""How fast readings come: counted by the minute, told over the last hour."""

from __future__ import annotations

from collections import deque
from typing import Final

HOUR_S: Final = 3600.0
FIRST_S: Final = 60.0
"""Nothing is told of a shorter time: the first readings of a start would pass for a pace."""


class Pace:
    """Counts of the last hour, one a minute at most."""

    def __init__(self, now_s: float) -> None:
        """now_s: of a clock that never steps."""
        self._began_s = now_s
        self._counts: deque[tuple[int, int]] = deque(maxlen=61)  # minute, readings

    def count(self, readings: int, now_s: float) -> None:
        """Take readings in that came now."""
        minute = int(now_s // 60)
        if self._counts and self._counts[-1][0] == minute:
            readings += self._counts.pop()[1]
        self._counts.append((minute, readings))

    def per_hour(self, now_s: float) -> float | None:
        """Give readings an hour, over the last hour or since the beginning; None while that is too short."""
        over_s = min(now_s - self._began_s, HOUR_S)
        if over_s < FIRST_S:
            return None
        oldest = (now_s - HOUR_S) // 60
        return sum(readings for minute, readings in self._counts if minute > oldest) * HOUR_S / over_s
