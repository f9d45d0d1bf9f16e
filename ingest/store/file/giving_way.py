"""Who stores comes first: the keeper stops between two small pieces of its work while somebody has a unit of work.

Both compute in one interpreter, of which only one thread has the lock at a time. A unit of work lets go of it at every
statement; beside somebody who computes it would wait for it again each time, and take ten times as long.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

MOST_S: Final = 0.1
"""So long, in all, one step of the keeper waits for others: it must come to an end beside any number of them."""


class GivingWay:
    """Counts those who come first; whoever comes second waits for them, so long as the step's patience lasts."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._first = 0
        self._nobody = threading.Event()
        self._nobody.set()
        self._left_s = 0.0

    @contextmanager
    def coming_first(self) -> Iterator[None]:
        """Be somebody for whom the keeper waits, inside this block."""
        with self._lock:
            self._first += 1
            self._nobody.clear()
        try:
            yield
        finally:
            with self._lock:
                self._first -= 1
                if self._first == 0:
                    self._nobody.set()

    def begin_step(self, *, is_behind: bool = False) -> None:
        """Have all the patience again; none where the work has fallen behind so far that it must be done."""
        self._left_s = 0.0 if is_behind else MOST_S

    def give_way(self) -> None:
        """Wait until nobody comes first, or patience is at its end; costs nothing where nobody does."""
        if self._first and self._left_s > 0.0:
            began_s = time.monotonic()
            self._nobody.wait(self._left_s)
            self._left_s -= time.monotonic() - began_s
