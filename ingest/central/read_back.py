"""Whether what was sent is there: read back, sent again, set aside, or taken at the engine's word. Blocks.

A 2xx is no proof of storage. Measured with a real server: lines that it cannot parse, NaN, and points more than two
days ahead are answered with 204 and dropped; what it had acknowledged within the last seconds before a SIGKILL is gone.
So a batch counts as delivered only once it is old enough to be on the engine's disk and every one of its readings was
read back with its value.

Several batches are out at a time, and each is looked for by itself as soon as it is old enough; those never sent again
come first, of those the newest. So after an engine has lost much all of it goes out again as fast as the engine takes
it. The durable position follows in the order of sending: `arrived` gives what is there from the front on.

What is derived for a humidity reading may change after it went out: a temperature comes late, or something is amended.
Sent again under the same tags, an engine may keep the older value; under the count of amendments, a late reading would
not show. So such copies are read back, and where the one that a reader would take is not what the store says now, what
it says goes out once more, one revision above all that are there.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import structlog

from ingest.central.engine import Engine, EngineError, Wanted
from ingest.central.outgoing import NEVER_STORED, Refusing
from ingest.central.points import MEASUREMENT, Point, runs
from ingest.central.progress import ForwarderSettings, Stretch
from ingest.central.writing import Waiting

RUN_GAP_MS: Final = 900_000
"""Readings further apart than this are asked for separately, so that one late one does not ask for a whole year."""

TOLERANCE: Final = 1e-9
"""How far, in proportion, a value read back may differ: engines that pack floats as decimals lose the last digits
(measured: up to 9.2e-12)."""


Copies = dict[tuple[str, str, int], dict[int, list[float]]]
"""By sensor, quantity and instant: the values that are there, by revision."""


def missing(engine: Engine, site: str, sent: Sequence[Point]) -> list[Point]:
    """Give the points that cannot be read back as they were sent. Raises EngineError. Blocks."""
    return [
        point
        for run, there in _read_back(engine, site, sent)
        for point in run
        if not any(_is_same(point, one) for one in _copies(there, point).get(point.revision, ()))
    ]


def _read_back(engine: Engine, site: str, points: Sequence[Point]) -> Iterator[tuple[list[Point], Copies]]:
    """Give points in runs, each with what is there of its time."""
    fields = tuple(sorted({point.quantity for point in points}))
    for run in runs(points, RUN_GAP_MS):
        there: Copies = {}
        for one in engine.samples(Wanted(MEASUREMENT, fields, {"site": site}), run[0].at_ms, run[-1].at_ms + 1):
            sensor, revision = one.tags.get("sensor", ""), int(one.tags.get("revision", 0))
            for at_ms, value in zip(one.at_ms.tolist(), one.value.tolist(), strict=True):
                there.setdefault((sensor, one.field, at_ms), {}).setdefault(revision, []).append(value)
        yield run, there


def _copies(there: Copies, point: Point) -> dict[int, list[float]]:
    return there.get((point.sensor, point.quantity, point.at_ms), {})


def _is_same(point: Point, value: float) -> bool:
    return math.isclose(point.value, value, rel_tol=TOLERANCE, abs_tol=TOLERANCE)


class Instant(NamedTuple):
    """A humidity reading for which something is derived."""

    sensor: str
    at_ms: int


def changed_again(derived: Iterable[Point], measured: Iterable[Point]) -> frozenset[Instant]:
    """Give the instants of which a derived copy may have gone out before.

    derived: what goes out now.  measured: the readings that it goes out beside.
    """
    new = {Instant(point.sensor, point.at_ms) for point in measured if point.quantity == "rh_percent"}
    told = ((Instant(point.sensor, point.at_ms), point.revision) for point in derived)
    return frozenset(instant for instant, revision in told if revision or instant not in new)


def as_humidity(instants: Iterable[Instant]) -> list[Point]:
    """Give instants as points of humidity, for which `outgoing.derived_points` derives as things stand now."""
    return [Point(sensor, "rh_percent", at_ms, 0.0) for sensor, at_ms in instants]


def overtaken(engine: Engine, site: str, now: Sequence[Point]) -> list[Point]:
    """Give the points whose newest copy on the engine is another value, with a revision above all that are there.

    now: what is derived as things stand now.  Raises EngineError. Blocks.
    """
    return [
        raised
        for run, there in _read_back(engine, site, now)
        for point in run
        if (raised := _raised(point, _copies(there, point))) is not None
    ]


def _raised(point: Point, copies: dict[int, list[float]]) -> Point | None:
    if not copies:
        return point
    highest = max(copies)
    if all(_is_same(point, one) for one in copies[highest]):
        return None
    return point._replace(revision=max(highest + 1, point.revision))


HandOver = Callable[[Sequence[Point], float], set[Point] | None]
"""Hands points over, at an instant (monotonic, s): gives those that were refused, or None where it must wait."""

_log = structlog.get_logger("lumberroom.central")


@dataclass(slots=True)
class Sent:
    """What was taken with a 2xx.  stretch: None for what had been set aside.  at_s, looked_s: monotonic.

    again: the instants of which other derived copies may be there.  has_arrived: is done with.
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
            lost = missing(self._engine, self._settings.site_id, sent.points)
            old = [] if lost else self._old_copies(self._engine, sent)
        except EngineError as error:
            self._cannot_look(error, now_s)
            return
        self.trouble, self._blind_since_s = "", None
        if lost:
            self._miss(sent, lost, now_s)
        elif old and sent.tries < self._settings.tries:
            self._replace(sent, old, now_s)
        else:
            if old:
                _log.warning("derived copies on the central engine stay old", count=len(old))
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

    def _old_copies(self, engine: Engine, sent: Sent) -> list[Point]:
        now = self._derived(as_humidity(sent.again))
        return overtaken(engine, self._settings.site_id, now)

    def _replace(self, sent: Sent, newer: Sequence[Point], now_s: float) -> None:
        """Send derived copies in the place of older ones; what does not come to be there in so many tries is let be."""
        if self._hand_over(newer, now_s) is not None:
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
