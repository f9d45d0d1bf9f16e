"""Forwarding the store to a central engine: every reading arrives, in the end once, and nobody waits for it.

The position is durable, in the store's own file, and moves only when readings were read back (`settling`). Whatever
happens in between, a crash on either side, a dead line for days, means that some readings are sent again; a point sent
twice is the same point. What the engine refuses for good is set aside with its words, and tried again at every start.

`ForwarderCore.step` does one piece of work and blocks; `Forwarder.run` calls it from a thread of its own.
"""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from typing import Final, NamedTuple

import structlog

from ingest.central import deriving, overtaking, settling, sourcing
from ingest.central.announcing import Lag, Stood, announcement
from ingest.central.delivering import Delivered, deliver
from ingest.central.engine import Engine, EngineError
from ingest.central.forwarder_settings import ForwarderSettings
from ingest.central.lagging import Lagging
from ingest.central.overtaking import Instant
from ingest.central.own_thread import OwnThread
from ingest.central.points import Point, lines
from ingest.central.progress import Lane, Progress, Stretch, after_sending, next_stretch
from ingest.central.refusing import NEVER_STORED, Refusing
from ingest.central.sourcing import ForwardingStore, ForwardingWork, Given
from ingest.central.speaking import Speaking
from ingest.central.waiting import Waiting
from ingest.central.writing import Later, Writer
from ingest.clock import Clock
from ingest.site.places import Site
from ingest.store.api import SeriesExtent

NAME: Final = "central"
"""Under which name the position is kept."""

STORE_NAME: Final = "store name"

NEVER_MS: Final = -(2**53)
"""Before every instant."""

_log = structlog.get_logger("lumberroom.central")


class _Sent(NamedTuple):
    """What was taken with a 2xx and not read back yet.  stretch: None for what had been set aside.  at_s: monotonic.

    again: the instants of which other derived copies may be there (see `overtaking`).
    """

    stretch: Stretch | None
    reached: int
    points: tuple[Point, ...]
    at_s: float
    looked_s: float
    tries: int = 1
    again: frozenset[Instant] = frozenset()


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
        self._store_name = ""
        self._settled = Progress()  # what has arrived: the durable position
        self._sent = Progress()  # what is out
        self._unsettled: deque[_Sent] = deque()
        self._turn = 0
        self._extents: list[SeriesExtent] = []
        self._aside_tried_s: float | None = None
        self._counts = {"accepted": 0, "resent": 0}
        self._look_trouble = ""  # why nothing can be read back
        self._lagging = Lagging()
        self._refusing = Refusing(store)
        self._speaking = Speaking(self._announcement, settings)
        self._waiting = Waiting(settings.spread)

    @property
    def trouble(self) -> str:
        """What keeps readings from arriving, a sentence, or nothing."""
        return self._waiting.trouble or self._look_trouble

    @property
    def wanted_from_ms(self) -> int | None:
        """From which instant on (UTC) the past has not arrived yet; None where all of it has.

        Before anything is known of what has arrived it is before every instant.
        """
        return self._settled.past_from_ms if self._begun else NEVER_MS

    @property
    def refused(self) -> str:
        """Which reading was refused last and the engine's words, or nothing."""
        return self._refusing.said

    def step(self) -> float:
        """Do one piece of work and give after how many seconds the next one is wanted. Raises StorageError."""
        now_s = self._clock.monotonic_s()
        if not self._begun:
            self._begin()
        for work in (self._speak, self._try_aside_again, self._settle):
            if now_s < self._waiting.until_s:
                break
            work(now_s)
        if now_s < self._waiting.until_s:
            return self._waiting.until_s - now_s
        return self._send(now_s)

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health."""
        return {
            "wired": True,
            **self.lag()._asdict(),
            "newest_change": self._lagging.newest,
            "unsettled_batches": len(self._unsettled),
            **self._counts,
            "derived_refused": self._refusing.derived,
            "set_aside_said": self._refusing.said,
            "trouble": self.trouble,
        }

    def lag(self) -> Lag:
        """Say how far the engine is behind the store."""
        return self._lagging.lag(self._settled, self._refusing.count, self._clock.now_ms())

    def _begin(self) -> None:
        saved = self._store.read.forwarding(NAME)
        if saved is None:
            self._begin_anew()
        else:
            self._settled = self._sent = Progress.of(saved)
            self._lagging.caught_up_ms = saved["caught_up_ms"]
        self._store_name = self._named()
        self._extents = self._store.read.extents()
        self._refusing.load()
        self._begun = True

    def _named(self) -> str:
        """Give the store's name, drawn once by lot: a copy of the settings file elsewhere has another one."""
        saved = self._store.read.forwarding(STORE_NAME)
        if saved is None:
            saved = {"name": secrets.token_hex(4)}
            with self._store.transaction() as work:
                work.save_forwarding(STORE_NAME, saved)
        return str(saved["name"])

    def _begin_anew(self) -> None:
        """Follow the changes from here on, and take everything that is there already as the past."""
        with self._store.transaction() as work:
            newest, extents = work.read.newest_change(), work.read.extents()
            ends = (min(e.first_ms for e in extents), max(e.last_ms for e in extents) + 1) if extents else (None, None)
            self._settled = self._sent = Progress(newest, past_from_ms=ends[0], past_until_ms=ends[1])
            self._lagging.caught_up_ms = self._clock.now_ms()
            self._keep(work)
        self._extents = extents
        self._unsettled.clear()

    def _try_aside_again(self, now_s: float) -> None:
        """Hand over once more, at the start and once a day, what was refused: somebody may have mended the engine."""
        if self._aside_tried_s is not None and now_s - self._aside_tried_s < self._settings.aside_s:
            return
        self._aside_tried_s = now_s
        aside = self._refusing.kept(self._settings.batch)
        outcome = self._deliver(aside)
        if aside and outcome.later is None:
            still = self._refusing.put(outcome.refused, self._clock.now_ms())
            taken = tuple(point for point in aside if point not in still)
            # Taken is not stored: it is read back like everything else before it is dropped here.
            self._unsettled.append(_Sent(None, 0, taken, now_s, now_s, self._settings.tries))

    def _speak(self, now_s: float) -> None:
        """Say what the site has to say of itself."""
        told = self._speaking.due(now_s)
        if not told:
            return
        answer = self._writer.write(told)
        if isinstance(answer, Later):
            self._waiting.put_off(answer, now_s)
            return
        self._waiting.went_well()
        self._speaking.said(told, now_s)

    def _announcement(self) -> list[str]:
        return announcement(
            self._settings.site_id,
            self._site(),
            self._stood(),
            self.lag(),
            open_incidents=len(self._store.read.incidents(only_open=True)),
            at_ms=self._clock.now_ms(),
            store=self._store_name,
        )

    def _send(self, now_s: float) -> float:
        """Send the next stretch, if there is one and room for it; give when to come again."""
        settings, now_ms, newest = self._settings, self._clock.now_ms(), self._store.read.newest_change()
        self._lagging.see(newest, now_ms)
        stretch = next_stretch(self._sent, newest, turn=self._turn, backlog=settings.backlog)
        if stretch is None or sum(len(sent.points) for sent in self._unsettled) >= settings.most_unsettled:
            self._lagging.idle(self._settled, now_ms)
            return min(settings.look_s, settings.settle_s) if self._unsettled else settings.look_s
        self._turn += 1
        given = self._given(stretch, newest)
        if given.lost:
            _log.error("changes are gone that were not forwarded yet; everything is gone through anew")
            self._begin_anew()
            return 0.0
        derived = self._derived(given.points)
        outcome = self._deliver([*given.points, *derived])
        if outcome.later is not None:
            return self._waiting.put_off(outcome.later, now_s)
        self._waiting.went_well()
        refused = self._refusing.put(outcome.refused, now_ms)
        kept = tuple(point for point in given.points if point not in refused)
        self._sent = after_sending(self._sent, stretch, given.reached)
        again = overtaking.changed_again(derived, given.points)
        self._unsettled.append(_Sent(stretch, given.reached, kept, now_s, now_s, again=again))
        return 0.0

    def _given(self, stretch: Stretch, newest: int) -> Given:
        """Fetch what a stretch holds."""
        read, limit = self._store.read, self._settings.batch
        if stretch.lane is not Lane.PAST:
            return sourcing.changed(read, stretch.after, newest, limit)
        return sourcing.past(read, self._extents, stretch.after, self._sent.past_until_ms or stretch.after, limit)

    def _derived(self, points: Sequence[Point]) -> list[Point]:
        return deriving.derived_points(self._store.read, points) if self._settings.derived else []

    def _deliver(self, points: Sequence[Point]) -> Delivered:
        rooms = {sensor.id: sensor.room for sensor in self._site().sensors}

        def to_lines(some: Sequence[Point]) -> list[str]:
            return lines(some, site=self._settings.site_id, rooms=rooms)

        outcome = deliver(self._writer, points, to_lines, self._announcement, at_once=self._settings.batch)
        self._counts["accepted"] += outcome.accepted
        return outcome

    def _settle(self, now_s: float) -> None:
        """Read back what is old enough, and move the durable position over what is there."""
        before = self._settled
        while self._unsettled and self._is_settled(now_s):
            sent = self._unsettled.popleft()
            if sent.stretch is not None:
                self._settled = after_sending(self._settled, sent.stretch, sent.reached)
            elif sent.points:
                self._refusing.take_back(sent.points)
        if self._settled != before:
            self._lagging.arrived(self._settled)
            with self._store.transaction() as work:
                self._keep(work)

    def _is_settled(self, now_s: float) -> bool:
        sent = self._unsettled[0]
        if self._engine is None:
            return True
        if now_s - sent.looked_s < self._settings.settle_s:
            return False
        self._unsettled[0] = sent._replace(looked_s=now_s)
        try:
            lost = settling.missing(self._engine, self._settings.site_id, sent.points)
            overtaken = [] if lost else self._overtaken(self._engine, sent)
        except EngineError as error:
            # No reason to stop sending: the office may well see what we cannot read.
            if not self._look_trouble:
                _log.warning("what was sent cannot be read back", reason=str(error))
            self._look_trouble = f"What was sent cannot be read back: {error}"
            return False
        self._look_trouble = ""
        if lost and now_s - sent.at_s >= self._settings.lost_s:
            return self._send_again(sent, lost, now_s)
        return self._replace(sent, overtaken, now_s) if overtaken else not lost

    def _overtaken(self, engine: Engine, sent: _Sent) -> list[Point]:
        now = self._derived(overtaking.as_humidity(sent.again))
        return overtaking.overtaken(engine, self._settings.site_id, now)

    def _replace(self, sent: _Sent, overtaken: Sequence[Point], now_s: float) -> bool:
        """Send derived copies in the place of older ones; what does not come to be there in so many tries is let be."""
        if sent.tries >= self._settings.tries:
            _log.warning("derived copies on the central engine stay old", count=len(overtaken))
            return True
        outcome = self._deliver(overtaken)
        if outcome.later is not None:
            self._waiting.put_off(outcome.later, now_s)
            return False
        self._refusing.put(outcome.refused, self._clock.now_ms())
        self._unsettled[0] = sent._replace(at_s=now_s, looked_s=now_s, tries=sent.tries + 1)
        return False

    def _send_again(self, sent: _Sent, lost: list[Point], now_s: float) -> bool:
        """Send what was taken and is not there; what was never stored in so many tries is set aside, and done with."""
        now_ms = self._clock.now_ms()
        if sent.tries >= self._settings.tries:
            never = self._refusing.put([(point, NEVER_STORED) for point in lost], now_ms)
            self._unsettled[0] = sent._replace(points=tuple(point for point in sent.points if point not in never))
            return True
        _log.warning("readings that the central engine took are not there; they are sent again", count=len(lost))
        outcome = self._deliver([*lost, *self._derived(lost)])
        if outcome.later is not None:
            self._waiting.put_off(outcome.later, now_s)
            return False
        self._counts["resent"] += len(lost)
        refused = self._refusing.put(outcome.refused, now_ms)
        kept = tuple(point for point in lost if point not in refused)
        self._unsettled[0] = _Sent(sent.stretch, sent.reached, kept, now_s, now_s, sent.tries + 1, sent.again)
        return False

    def _keep(self, work: ForwardingWork) -> None:
        """Write the durable position, and let go of the changes before it, in one unit of work."""
        work.save_forwarding(NAME, {**self._settled.as_json(), "caught_up_ms": self._lagging.caught_up_ms})
        work.follow_changes(NAME, through=self._settled.oldest)


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
