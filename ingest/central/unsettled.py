"""What the engine took and what was not read back yet: looked for, sent again, set aside, or taken at its word. Blocks.

Several batches are out at a time, and each is looked for by itself as soon as it is old enough; those never sent again
come first, of those the newest. So after an engine has lost much (a SIGKILL costs it its last seconds) all of it goes
out again as fast as the engine takes it. The durable position follows in the order of sending: `arrived` gives what is
there from the front on.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import structlog

from ingest.central import overtaking, read_back
from ingest.central.engine import Engine, EngineError
from ingest.central.forwarder_settings import ForwarderSettings
from ingest.central.overtaking import Instant
from ingest.central.points import Point
from ingest.central.progress import Stretch
from ingest.central.refusing import NEVER_STORED, Refusing
from ingest.central.waiting import Waiting

HandOver = Callable[[Sequence[Point], float], set[Point] | None]
"""Hands points over, at an instant (monotonic, s): gives those that were refused, or None where it must wait."""

_log = structlog.get_logger("lumberroom.central")


@dataclass(slots=True)
class Sent:
    """What was taken with a 2xx.  stretch: None for what had been set aside.  at_s, looked_s: monotonic.

    again: the instants of which other derived copies may be there (see `overtaking`).  has_arrived: is done with.
    """

    stretch: Stretch | None
    reached: int
    points: tuple[Point, ...]
    at_s: float
    looked_s: float
    tries: int = 1
    again: frozenset[Instant] = frozenset()
    has_arrived: bool = False


class Unsettled:
    """The batches that are out.  engine: for reading back; None where it cannot be read, then a 2xx has to do.

    trouble: why nothing can be read back, a sentence, or empty.  resent: points sent again.  by_word: points that count
    as arrived though they could not be read back.
    """

    def __init__(
        self,
        engine: Engine | None,
        settings: ForwarderSettings,
        hand_over: HandOver,
        derived: Callable[[Sequence[Point]], list[Point]],
        refusing: Refusing,
        waiting: Waiting,
    ) -> None:
        self._engine = engine
        self._settings = settings
        self._hand_over = hand_over
        self._derived = derived
        self._refusing = refusing
        self._waiting = waiting
        self._sent: deque[Sent] = deque()
        self._look_again_s = -math.inf
        self._blind_since_s: float | None = None
        self.trouble = ""
        self.resent = 0
        self.by_word = 0

    def __len__(self) -> int:
        return sum(not sent.has_arrived for sent in self._sent)

    @property
    def points(self) -> int:
        """How many points are out."""
        return sum(len(sent.points) for sent in self._sent)

    def add(self, sent: Sent) -> None:
        """Note what was taken."""
        self._sent.append(sent)
        if self._engine is None:
            self._arrive(sent)

    def clear(self) -> None:
        """Forget what is out: everything is gone through anew."""
        self._sent.clear()

    def arrived(self) -> Iterator[Sent]:
        """Give, and be done with, what has arrived and before which nothing is out any more."""
        while self._sent and self._sent[0].has_arrived:
            yield self._sent.popleft()

    def wait_s(self, now_s: float) -> float:
        """Give after how many seconds something is to be looked for; infinite where nothing is out."""
        due_s = min((sent.looked_s for sent in self._sent if not sent.has_arrived), default=math.inf)
        return max(0.0, due_s + self._settings.settle_s - now_s, self._look_again_s - now_s)

    def look(self, now_s: float) -> None:
        """Look for one batch, where one is due. Raises StorageError."""
        if self._engine is None or now_s < self._look_again_s:
            return
        due = [one for one in self._sent if not one.has_arrived and now_s - one.looked_s >= self._settings.settle_s]
        if not due:
            return
        sent = min(reversed(due), key=lambda one: one.tries)
        sent.looked_s = now_s
        try:
            lost = read_back.missing(self._engine, self._settings.site_id, sent.points)
            overtaken = [] if lost else self._overtaken(self._engine, sent)
        except EngineError as error:
            self._cannot_look(error, now_s)
            return
        self.trouble, self._blind_since_s = "", None
        if lost:
            self._miss(sent, lost, now_s)
        elif overtaken and sent.tries < self._settings.tries:
            self._replace(sent, overtaken, now_s)
        else:
            if overtaken:
                _log.warning("derived copies on the central engine stay old", count=len(overtaken))
            self._arrive(sent)

    def _arrive(self, sent: Sent) -> None:
        if sent.stretch is None and sent.points:
            self._refusing.take_back(sent.points)
        sent.points, sent.has_arrived = (), True

    def _cannot_look(self, error: EngineError, now_s: float) -> None:
        """Go on sending, for the office may well see what we cannot read; and in the end without reading at all.

        A token that may write and not read would else end forwarding once `most_unsettled` points are out. An engine
        that is away altogether is no such case: what it took before it went may be lost, and is waited for.
        """
        if self._blind_since_s is None:
            _log.warning("what was sent cannot be read back", reason=str(error))
            self._blind_since_s = now_s
        self._look_again_s = now_s + self._settings.settle_s
        self.trouble = f"What was sent cannot be read back: {error}"
        if now_s - max(self._blind_since_s, self._waiting.failed_s) < self._settings.blind_s:
            return
        if not self.by_word:
            _log.warning("what the central engine took counts as arrived, as it cannot be read back")
        self.trouble += " Meanwhile the engine's word has to do. Where it may only be written, set read_back = false."
        for sent in self._sent:
            if not sent.has_arrived and now_s - sent.at_s >= self._settings.settle_s:
                self.by_word += len(sent.points)
                # What had been set aside stays so: the engine took it before and did not store it.
                sent.points, sent.has_arrived = (), True

    def _overtaken(self, engine: Engine, sent: Sent) -> list[Point]:
        now = self._derived(overtaking.as_humidity(sent.again))
        return overtaking.overtaken(engine, self._settings.site_id, now)

    def _replace(self, sent: Sent, overtaken: Sequence[Point], now_s: float) -> None:
        """Send derived copies in the place of older ones; what does not come to be there in so many tries is let be."""
        if self._hand_over(overtaken, now_s) is not None:
            sent.at_s, sent.looked_s, sent.tries = now_s, now_s, sent.tries + 1

    def _miss(self, sent: Sent, lost: Sequence[Point], now_s: float) -> None:
        """Send what was taken and is not there; what was never stored in so many tries is set aside, and done with."""
        # Away and back since, it has lost what was in its memory only: that will not appear by waiting, and is no sign
        # that it never stores this.
        was_away = sent.at_s < self._waiting.away_s
        if not was_away and now_s - sent.at_s < self._settings.lost_s:
            return
        if not was_away and sent.tries >= self._settings.tries:
            never = self._refusing.put([(point, NEVER_STORED) for point in lost])
            sent.points = tuple(point for point in sent.points if point not in never)
            self._arrive(sent)
            return
        _log.warning("readings that the central engine took are not there; they are sent again", count=len(lost))
        refused = self._hand_over([*lost, *self._derived(lost)], now_s)
        if refused is None:
            return
        self.resent += len(lost)
        sent.points = tuple(point for point in lost if point not in refused)
        sent.at_s = sent.looked_s = now_s
        sent.tries += not was_away
