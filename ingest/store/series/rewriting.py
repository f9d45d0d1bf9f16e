"""Which sensors' past was written into: so that what was computed from readings may be kept until it no longer holds.

Nearly all readings are newer than what their series has, and leave the past as it is. Those that are not (late ones,
corrections) are noted here, in the memory of the one process that writes; a reader's process knows nothing of them.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Mapping
from typing import Final

MOST_NOTED: Final = 10_000


class Rewritings:
    """The newest notes. Safe from any thread."""

    def __init__(self, most: int = MOST_NOTED) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._notes: deque[tuple[str, int]] = deque()
        self._forgotten = 0  # how many notes were let go of

    def note(self, earliest_ms: Mapping[str, int]) -> None:
        """Note what a committed unit of work wrote into the past: by sensor, from which instant on."""
        with self._lock:
            self._notes.extend(earliest_ms.items())
            while len(self._notes) > self._most:
                self._notes.popleft()
                self._forgotten += 1

    def since(self, mark: int) -> tuple[int, dict[str, int] | None]:
        """Give the mark to ask with next, and from which instant on each sensor's past was written into since a mark.

        mark: 0 at first.  None where that is no longer known: anything may have been.
        """
        with self._lock:
            through = self._forgotten + len(self._notes)
            if mark < self._forgotten:
                return through, None
            earliest: dict[str, int] = {}
            for number in range(mark - self._forgotten, len(self._notes)):
                sensor, at_ms = self._notes[number]
                earliest[sensor] = min(at_ms, earliest.get(sensor, at_ms))
            return through, earliest
