"""When the engine may be asked again: doubling waits, spread by chance, Retry-After honoured, told once in the log."""

from __future__ import annotations

import math
import random
from typing import Final

import structlog

from ingest.central.writing import Later

FIRST_S: Final = 2.0
LONGEST_S: Final = 300.0
CLOSED_S: Final = 60.0
"""The shortest wait where somebody must mend something first."""

_log = structlog.get_logger("lumberroom.central")


class Waiting:
    """Waits of 2, 4, 8 ... 300 s after one failure after another; a success forgets them."""

    def __init__(self, spread: float, chance: random.Random | None = None) -> None:
        """Take by what share a wait may differ (0 to 1)."""
        self.trouble = ""  # what the last failure was, a sentence; empty while all is well
        self.until_s = 0.0  # monotonic
        self.failed_s = -math.inf  # when it failed last (monotonic)
        self.away_s = -math.inf  # when nobody was there last
        self._spread = spread
        self._chance = chance or random.Random()  # noqa: S311 -- spreading, not secrecy
        self._failures = 0

    def put_off(self, later: Later, now_s: float) -> float:
        """Note a failure and give how long to wait (s).  now_s: monotonic."""
        wait_s = min(LONGEST_S, FIRST_S * 2.0 ** min(self._failures, 16))
        wait_s = max(wait_s, CLOSED_S) if later.closed else wait_s
        wait_s *= 1.0 - self._spread * self._chance.random()
        if later.after_s is not None:
            # Not before it asked for, and not all at the very same moment.
            wait_s = max(later.after_s, 1.0) * (1.0 + self._spread * self._chance.random())
        self._failures += 1
        self.failed_s = now_s
        if later.away:
            self.away_s = now_s
        self.until_s = now_s + wait_s
        if later.reason != self.trouble:
            _log.warning("forwarding waits", reason=later.reason, wait_s=round(wait_s, 1))
        self.trouble = later.reason
        return wait_s

    def went_well(self) -> None:
        """Start from the first wait again."""
        if self.trouble:
            _log.info("forwarding goes on", was=self.trouble)
        self.trouble, self._failures = "", 0
