"""Forwarding the store to a central engine: every reading arrives, in the end once, and nobody waits for it.

The position is durable, in the store's own file, and moves only when readings were read back (`settling`). Whatever
happens in between, a crash on either side, a dead line for days, means that some readings are sent again; a point sent
twice is the same point. What the engine refuses for good is set aside with its words, and tried again at every start.

`ForwarderCore.step` does one piece of work and blocks; `Forwarder.run` calls it from a thread of its own.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Final, NamedTuple, Protocol

import structlog

from ingest.central import deriving, settling, sourcing
from ingest.central.announcing import Lag, Stood, announcement
from ingest.central.delivering import Delivered, deliver
from ingest.central.engine import Engine, EngineError
from ingest.central.own_thread import OwnThread
from ingest.central.points import Point, lines
from ingest.central.progress import USUAL, Backlog, Lane, Progress, Stretch, after_sending, next_stretch
from ingest.central.sourcing import ForwardingReader, Given
from ingest.central.writing import Later, Writer
from ingest.clock import Clock
from ingest.physics.derived import DERIVED
from ingest.site.places import Site
from ingest.site.series import SeriesKey
from ingest.store.api import SeriesExtent
from ingest.store.forwarding import SetAside

NAME: Final = "central"
"""Under which name the position is kept."""

NEVER_STORED: Final = "taken again and again and never stored: older than it keeps, or ahead of its clock?"
FIRST_WAIT_S: Final = 2.0
LONGEST_WAIT_S: Final = 300.0
CLOSED_WAIT_S: Final = 60.0
MOST_MARKS: Final = 1000

_log = structlog.get_logger("lumberroom.central")


@dataclass(frozen=True, slots=True)
class ForwarderSettings:
    """How the forwarder goes about it.

    site_id: the site tag.  batch: readings per request.  look_s: how often new readings are looked for.
    settle_s: how long after sending it is read back: longer than the engine keeps acknowledged points in memory only.
    lost_s: what cannot be read back by then is sent again (new series take up to 10 s to become visible).
    tries: what was taken so often and never stored is set aside.  aside_s: how often what is set aside is tried again.
    most_unsettled: points that may be out and not read back.  announce_s: how often the site says that it is there.
    job_s: how often it says what it is and how its rooms stand, though nothing changed.  glance_s: how often it looks
    whether something has.
    backlog: when the newest go first.  derived: whether derived fields go out beside the measured ones.
    """

    site_id: str
    batch: int = 5000
    look_s: float = 5.0
    settle_s: float = 15.0
    lost_s: float = 60.0
    tries: int = 5
    aside_s: float = 86_400.0
    most_unsettled: int = 100_000
    backlog: Backlog = USUAL
    derived: bool = True
    announce_s: float = 60.0
    glance_s: float = 15.0
    job_s: float = 900.0


class ForwardingWork(Protocol):
    """What a forwarder writes in a unit of work."""

    @property
    def read(self) -> ForwardingReader:
        """Read within it."""
        ...

    def follow_changes(self, name: str, *, through: int) -> None:
        """Note that all changes up to a number are taken over; those after it are kept."""
        ...

    def save_forwarding(self, name: str, state: Mapping[str, Any]) -> None:
        """Save how far it has come."""
        ...

    def put_aside(self, refused: Sequence[SetAside]) -> None:
        """Keep what was refused."""
        ...

    def take_back(self, accepted: Sequence[SetAside]) -> None:
        """Drop what was accepted after all."""
        ...


class ForwardingStore(Protocol):
    """The store as a forwarder sees it."""

    @property
    def read(self) -> ForwardingReader:
        """Give the reader."""
        ...

    def transaction(self) -> AbstractContextManager[ForwardingWork]:
        """Open a unit of work."""
        ...


class _Sent(NamedTuple):
    stretch: Stretch
    reached: int
    points: tuple[Point, ...]
    at_s: float  # monotonic
    looked_s: float
    tries: int = 1


class _Mark(NamedTuple):
    newest: int
    seen_ms: int


class ForwarderCore:
    """The forwarder without its thread. Everything here blocks and is for one thread; the figures are for any."""

    def __init__(
        self,
        store: ForwardingStore,
        clock: Clock,
        writer: Writer,
        engine: Engine | None,
        site: Callable[[], Site],
        settings: ForwarderSettings,
        *,
        stood: Callable[[], Mapping[str, Stood]] = dict,
    ) -> None:
        """Take the parts.  engine: for reading back; None where it cannot be read, then a 2xx has to do.

        stood: how the rooms stand, for what the site says of itself.
        """
        self._store = store
        self._clock = clock
        self._writer = writer
        self._engine = engine
        self._site = site
        self._settings = settings
        self._stood = stood
        self._begun = False
        self._settled = Progress()
        self._sent = Progress()
        self._unsettled: deque[_Sent] = deque()
        self._marks: deque[_Mark] = deque(maxlen=MOST_MARKS)
        self._caught_up_ms: int | None = None
        self._turn = 0
        self._extents: list[SeriesExtent] = []
        self._wait_until_s = 0.0
        self._failures = 0
        self._glanced_s: float | None = None
        self._announced_s: float | None = None
        self._aside_tried_s: float | None = None
        self._job_told: list[str] = []
        self._job_told_s: float | None = None
        self._newest = 0
        self._counts = {"accepted": 0, "resent": 0, "derived_refused": 0}
        self._aside = 0
        self._way_trouble = ""  # why nothing can be sent
        self._look_trouble = ""  # why nothing can be read back

    @property
    def trouble(self) -> str:
        """What keeps readings from arriving, a sentence, or nothing."""
        return self._way_trouble or self._look_trouble

    def step(self) -> float:
        """Do one piece of work and give after how many seconds the next one is wanted. Raises StorageError."""
        now_s = self._clock.monotonic_s()
        if not self._begun:
            self._begin()
        if now_s < self._wait_until_s:
            return self._wait_until_s - now_s
        self._announce(now_s)
        self._try_aside_again(now_s)
        self._settle(now_s)
        if now_s < self._wait_until_s:
            return self._wait_until_s - now_s
        return self._send(now_s)

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health."""
        return {
            "wired": True,
            **self.lag()._asdict(),
            "newest_change": self._newest,
            "unsettled_batches": len(self._unsettled),
            **self._counts,
            "trouble": self.trouble,
        }

    def lag(self) -> Lag:
        """Say how far the engine is behind the store."""
        settled, seen_ms = self._settled, self._caught_up_ms
        behind = settled.outstanding(self._newest)
        lag_s = max(0.0, (self._clock.now_ms() - seen_ms) / 1000) if behind and seen_ms is not None else 0.0
        left_ms = (settled.past_until_ms or 0) - (settled.past_from_ms or 0)
        return Lag(behind, round(lag_s, 1), self._aside, round(left_ms / 1000, 1))

    def _begin(self) -> None:
        saved = self._store.read.forwarding(NAME)
        if saved is None:
            self._begin_anew()
        else:
            self._settled = self._sent = Progress.of(saved)
            self._caught_up_ms = saved["caught_up_ms"]
        self._extents = self._store.read.extents()
        self._aside = self._store.read.count_aside()
        self._begun = True

    def _begin_anew(self) -> None:
        """Follow the changes from here on, and take everything that is there already as the past."""
        with self._store.transaction() as work:
            newest, extents = work.read.newest_change(), work.read.extents()
            ends = (min(e.first_ms for e in extents), max(e.last_ms for e in extents) + 1) if extents else (None, None)
            self._settled = self._sent = Progress(newest, past_from_ms=ends[0], past_until_ms=ends[1])
            self._caught_up_ms = self._clock.now_ms()
            self._keep(work)
        self._extents = extents
        self._unsettled.clear()

    def _try_aside_again(self, now_s: float) -> None:
        """Hand over once more, at the start and once a day, what was refused: somebody may have mended the engine."""
        if self._aside_tried_s is not None and now_s - self._aside_tried_s < self._settings.aside_s:
            return
        self._aside_tried_s = now_s
        if not self._aside:
            return
        aside = self._store.read.set_aside(self._settings.batch)
        by_point = {Point(*one.key, one.at_ms, one.value, one.revision): one for one in aside}
        outcome = self._deliver(list(by_point))
        if outcome.later is None:
            still = {point for point, _ in outcome.refused}
            with self._store.transaction() as work:
                work.take_back([one for point, one in by_point.items() if point not in still])
            self._aside = self._store.read.count_aside()

    def _announce(self, now_s: float) -> None:
        """Say that the site is there, and its job when that has changed, a room's state included, or now and then."""
        settings = self._settings
        if self._glanced_s is not None and now_s - self._glanced_s < settings.glance_s:
            return
        self._glanced_s = now_s
        whole = self._announcement()
        # Said every minute, the job would take more room at the engine than the readings do.
        job = [said.rpartition(" ")[0] for said in whole[1:]]
        is_news = job != self._job_told or _is_due(self._job_told_s, settings.job_s, now_s)
        if not is_news and not _is_due(self._announced_s, settings.announce_s, now_s):
            return
        self._announced_s = now_s
        answer = self._writer.write(whole if is_news else whole[:1])
        if isinstance(answer, Later):
            self._put_off(answer, now_s)
            return
        self._went_well()
        if is_news:
            self._job_told, self._job_told_s = job, now_s

    def _announcement(self) -> list[str]:
        return announcement(
            self._settings.site_id,
            self._site(),
            self._stood(),
            self.lag(),
            open_incidents=len(self._store.read.incidents(only_open=True)),
            at_ms=self._clock.now_ms(),
        )

    def _send(self, now_s: float) -> float:
        """Send the next stretch, if there is one and room for it."""
        settings, seen_ms = self._settings, self._clock.now_ms()
        self._newest = newest = self._store.read.newest_change()
        if not self._marks or self._marks[-1].newest < newest:
            self._marks.append(_Mark(newest, seen_ms))
        stretch = next_stretch(self._sent, newest, turn=self._turn, backlog=settings.backlog)
        if stretch is None or sum(len(sent.points) for sent in self._unsettled) >= settings.most_unsettled:
            self._note_caught_up(seen_ms)
            return min(settings.look_s, settings.settle_s) if self._unsettled else settings.look_s
        self._turn += 1
        given = self._given(stretch, newest)
        if given.lost:
            _log.error("changes are gone that were not forwarded yet; everything is gone through anew")
            self._begin_anew()
            return 0.0
        outcome = self._deliver([*given.points, *self._derived(given.points)])
        if outcome.later is not None:
            self._put_off(outcome.later, now_s)
            return self._wait_until_s - now_s
        self._went_well()
        refused = self._set_aside(outcome.refused)
        kept = tuple(point for point in given.points if point not in refused)
        self._sent = after_sending(self._sent, stretch, given.reached)
        self._unsettled.append(_Sent(stretch, given.reached, kept, now_s, now_s))
        return 0.0

    def _given(self, stretch: Stretch, newest: int) -> Given:
        """Fetch what a stretch holds."""
        read, limit = self._store.read, self._settings.batch
        if stretch.lane is not Lane.PAST:
            return sourcing.changed(read, stretch.after, newest, limit)
        return sourcing.past(read, self._extents, stretch.after, self._sent.past_until_ms or stretch.after, limit)

    def _derived(self, points: Sequence[Point]) -> list[Point]:
        return deriving.derived_points(self._store.read, points) if self._settings.derived else []

    def _deliver(self, points: list[Point]) -> Delivered:
        rooms = {sensor.id: sensor.room for sensor in self._site().sensors}

        def to_lines(some: Sequence[Point]) -> list[str]:
            return lines(some, site=self._settings.site_id, rooms=rooms)

        outcome = deliver(self._writer, points, to_lines, self._announcement, at_once=self._settings.batch)
        self._counts["accepted"] += outcome.accepted
        return outcome

    def _set_aside(self, refused: Sequence[tuple[Point, str]]) -> set[Point]:
        """Keep what was refused, measured readings durably; what is derived is only counted."""
        if not refused:
            return set()
        now_ms = self._clock.now_ms()
        kept = [
            SetAside(SeriesKey(one.sensor, one.quantity), one.at_ms, one.value, one.revision, said, now_ms)
            for one, said in refused
            if one.quantity not in DERIVED
        ]
        with self._store.transaction() as work:
            work.put_aside(kept)
        self._counts["derived_refused"] += len(refused) - len(kept)
        self._aside = self._store.read.count_aside()
        _log.error("the central engine refuses readings; they are set aside", count=len(kept), said=refused[0][1])
        return {point for point, _ in refused}

    def _settle(self, now_s: float) -> None:
        """Read back what is old enough, and move the durable position over what is there."""
        before = self._settled
        while self._unsettled and self._is_settled(now_s):
            sent = self._unsettled.popleft()
            self._settled = after_sending(self._settled, sent.stretch, sent.reached)
        if self._settled != before:
            self._note_caught_up(None)
            self._save()

    def _is_settled(self, now_s: float) -> bool:
        sent = self._unsettled[0]
        if self._engine is None:
            return True
        if now_s - sent.looked_s < self._settings.settle_s:
            return False
        self._unsettled[0] = sent._replace(looked_s=now_s)
        try:
            lost = settling.missing(self._engine, self._settings.site_id, sent.points)
        except EngineError as error:
            # No reason to stop sending: the office may well see what we cannot read.
            if not self._look_trouble:
                _log.warning("what was sent cannot be read back", reason=str(error))
            self._look_trouble = f"What was sent cannot be read back: {error}"
            return False
        self._look_trouble = ""
        if lost and now_s - sent.at_s >= self._settings.lost_s:
            return self._send_again(sent, lost, now_s)
        return not lost

    def _send_again(self, sent: _Sent, lost: list[Point], now_s: float) -> bool:
        """Send what was taken and is not there; what was never stored in so many tries is set aside, and done with."""
        if sent.tries >= self._settings.tries:
            self._set_aside([(point, NEVER_STORED) for point in lost])
            return True
        _log.warning("readings that the central engine took are not there; they are sent again", count=len(lost))
        outcome = self._deliver([*lost, *self._derived(lost)])
        if outcome.later is not None:
            self._put_off(outcome.later, now_s)
            return False
        self._counts["resent"] += len(lost)
        refused = self._set_aside(outcome.refused)
        kept = tuple(point for point in lost if point not in refused)
        self._unsettled[0] = _Sent(sent.stretch, sent.reached, kept, now_s, now_s, sent.tries + 1)
        return False

    def _note_caught_up(self, seen_ms: int | None) -> None:
        """Note up to when everything that was stored has arrived."""
        while self._marks and self._marks[0].newest <= self._settled.oldest:
            self._caught_up_ms = self._marks.popleft().seen_ms
        if seen_ms is not None and not self._settled.outstanding(self._newest):
            self._caught_up_ms = seen_ms

    def _save(self) -> None:
        with self._store.transaction() as work:
            self._keep(work)

    def _keep(self, work: ForwardingWork) -> None:
        """Write the durable position, and let go of the changes before it, in one unit of work."""
        work.save_forwarding(NAME, {**self._settled.as_json(), "caught_up_ms": self._caught_up_ms})
        work.follow_changes(NAME, through=self._settled.oldest)

    def _put_off(self, later: Later, now_s: float) -> None:
        wait_s = min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(self._failures, 16))
        if later.closed:
            wait_s = max(wait_s, CLOSED_WAIT_S)
        if later.after_s is not None:
            wait_s = max(later.after_s, 1.0)
        self._failures += 1
        self._wait_until_s = now_s + wait_s
        if later.reason != self._way_trouble:
            _log.warning("forwarding waits", reason=later.reason, wait_s=round(wait_s, 1))
        self._way_trouble = later.reason

    def _went_well(self) -> None:
        if self._way_trouble:
            _log.info("forwarding goes on", was=self._way_trouble)
        self._way_trouble, self._failures = "", 0


def _is_due(last_s: float | None, every_s: float, now_s: float) -> bool:
    return last_s is None or now_s - last_s >= every_s


class Forwarder:
    """The forwarder as a task of the daemon."""

    def __init__(self, core: ForwarderCore, clock: Clock) -> None:
        self.core = core
        self._clock = clock

    async def run(self) -> None:
        """Forward until cancelled. Raises StorageError when the store cannot be read or written."""
        thread = OwnThread("central forwarder")
        try:
            while True:
                wait_s = await thread.run(self.core.step)
                await self._clock.sleep(max(wait_s, 0.0))
        finally:
            thread.close()
