"""The thread that does in the background what follows from storing: sealing, rollups, deleting what is sealed.

Who stores comes first: it stops between two small pieces of its work while somebody has a unit of work.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

import structlog

from ingest.errors import StorageError

_log = structlog.get_logger("lumberroom.store")

THREAD_NAME: Final = "store-keeper"
_HANDED_ON_S: Final = 0.001
_IDLE_S: Final = 2.0
_TROUBLED_S: Final = 30.0
_LONGEST_TROUBLED_S: Final = 900.0  # the rest after failure upon failure, doubled each time from the one above
_REST: Final = 4.0  # after a step, rest so many times as long as it took: who stores and who reads come first
_SHORTEST_REST_S: Final = 0.005
_UNDISTURBED_REST_S: Final = 0.0002  # where nobody else used the store meanwhile: the step let other threads run anyway


class Keeper:
    """Takes step after step while there is something to do, with rests between, until stopped."""

    def __init__(
        self, step: Callable[[], bool], uses: Callable[[], int], behind: Callable[[], float] = lambda: 1.0
    ) -> None:
        """Begin at once.

        step: does one bounded step and says whether there is more to do.  uses: how often others have stored or read so
        far; after a step during which nobody did, the keeper hardly rests.  behind: how many times the usual amount of
        work waits; the more, the shorter the rests, so that on a busy machine too the work does not pile up for ever.
        """
        self._step = step
        self._uses = uses
        self._behind = behind
        self._stopping = threading.Event()
        self.trouble: str = ""
        self.steps = 0
        self._thread = threading.Thread(target=self._run, name=THREAD_NAME, daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop after the step that is under way. May be repeated."""
        self._stopping.set()
        if self._thread is not threading.current_thread():
            self._thread.join()

    def _run(self) -> None:
        # Who stores and who serves pages waits no longer for us to let go of the interpreter than this.
        sys.setswitchinterval(min(sys.getswitchinterval(), _HANDED_ON_S))
        rest_s, failures = 0.0, 0
        while not self._stopping.wait(rest_s):
            began_s, uses = time.monotonic(), self._uses()
            try:
                more = self._step()
                self.trouble, failures = "", 0
            # A boundary: whatever a step dies of, what was stored is safe, others go on storing, and nothing else would
            # ever take this work up again. A full disk comes as StorageError; anything else is a bug, or damage.
            except Exception as error:  # noqa: BLE001
                rest_s = min(_LONGEST_TROUBLED_S, _TROUBLED_S * 2**failures)
                failures += 1
                self._say(error)
                continue
            self.steps += 1
            if not more:
                rest_s = _IDLE_S
            elif self._uses() == uses:
                rest_s = _UNDISTURBED_REST_S
            else:
                rest_s = max(_SHORTEST_REST_S, rests(self._behind()) * (time.monotonic() - began_s))

    def _say(self, error: Exception) -> None:
        told = str(error) if isinstance(error, StorageError) else f"a fault in lumberroom: {error!r}"
        if told != self.trouble:
            _log.error("the store's upkeep failed; it is tried again", error=told, exc_info=not _is_expected(error))
        self.trouble = told


def _is_expected(error: Exception) -> bool:
    return isinstance(error, StorageError)


def rests(behind: float) -> float:
    """Give how many times as long as a step took is rested after it.  behind: as for `Keeper`.

    Never less than as long: a thread that computes without a rest leaves one that reads a socket for every message a
    fraction of its pace, for each reading hands the interpreter over.
    """
    return max(min(1.0, _REST), _REST / max(1.0, behind))


MOST_S: Final = 0.1
"""So long, in all, one step of the keeper waits for others: it must come to an end beside any number of them."""


class GivingWay:
    """Counts those who come first; whoever comes second waits for them, so long as the step's patience lasts.

    Both compute in one interpreter, of which only one thread has the lock at a time. A unit of work lets go of it at
    every statement; beside somebody who computes it would wait for it again each time, and take ten times as long.
    """

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
