"""How far the engine is behind the store, in changes and in time."""

from __future__ import annotations

from collections import deque
from typing import Final, NamedTuple

from ingest.central.announcements import Lag
from ingest.central.progress import Progress

MOST_MARKS: Final = 1000


class _Mark(NamedTuple):
    newest: int
    seen_ms: int


class Lagging:
    """Remembers when each newest change was seen, so that what has arrived tells up to when everything has."""

    def __init__(self) -> None:
        self.newest = 0  # number of the newest change, as last seen
        self.caught_up_ms: int | None = None  # everything that was stored before this instant (ours, UTC) has arrived
        self._marks: deque[_Mark] = deque(maxlen=MOST_MARKS)

    def see(self, newest: int, now_ms: int) -> None:
        """Note the number of the newest change."""
        self.newest = newest
        if not self._marks or self._marks[-1].newest < newest:
            self._marks.append(_Mark(newest, now_ms))

    def arrived(self, settled: Progress) -> None:
        """Note what has arrived."""
        while self._marks and self._marks[0].newest <= settled.oldest:
            self.caught_up_ms = self._marks.popleft().seen_ms

    def idle(self, settled: Progress, now_ms: int) -> None:
        """Note that there was nothing to send just now."""
        if not settled.outstanding(self.newest):
            self.caught_up_ms = now_ms

    def lag(self, settled: Progress, set_aside: int, now_ms: int) -> Lag:
        """Say how far the engine is behind."""
        behind, seen_ms = settled.outstanding(self.newest), self.caught_up_ms
        lag_s = max(0.0, (now_ms - seen_ms) / 1000) if behind and seen_ms is not None else 0.0
        left_ms = (settled.past_until_ms or 0) - (settled.past_from_ms or 0)
        return Lag(behind, round(lag_s, 1), set_aside, round(left_ms / 1000, 1))
