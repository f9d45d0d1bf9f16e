"""How late notices went out: from their commit to the other side's acceptance, as a cumulative histogram."""

from __future__ import annotations

import bisect
import math
from typing import Final

BOUNDS_S: Final = (0.5, 1.0, 2.0, 5.0, 30.0, 60.0, 300.0, 3600.0, 86_400.0, math.inf)
"""Upper bounds of the histogram's buckets (s)."""


class Lateness:
    """Counts, since the start, how late notices went out."""

    def __init__(self) -> None:
        self._counts = [0] * len(BOUNDS_S)
        self.sum_s = 0.0

    def note(self, late_s: float) -> None:
        """Count one.  late_s: from commit to acceptance (s); a clock that was set back makes it 0 at the least."""
        late_s = max(late_s, 0.0)
        self._counts[bisect.bisect_left(BOUNDS_S, late_s)] += 1
        self.sum_s += late_s

    @property
    def count(self) -> int:
        """How many went out."""
        return sum(self._counts)

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures: how many were at most so many seconds late, by those seconds ("+Inf" for all)."""
        within, total = {}, 0
        for bound_s, count in zip(BOUNDS_S, self._counts, strict=True):
            total += count
            within["+Inf" if math.isinf(bound_s) else f"{bound_s:g}"] = total
        return {"count": total, "sum_s": round(self.sum_s, 3), "within_s": within}
