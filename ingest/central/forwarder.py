"""Forwarding the store to a central engine: every reading arrives, in the end once, and nobody waits for it.

The position is durable, in the store's own file, and moves only when readings were read back (`read_back`). Whatever
happens in between, a crash on either side, a dead line for days, means that some readings are sent again; a point sent
twice is the same point. What the engine refuses for good is set aside with its words, and tried again at every start.

`Forwarder.step` does one piece of work and blocks: it is called from a thread of its own (`ingest.runtime.forwarding`).
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Mapping, Sequence
from typing import Final

import structlog

from ingest.central import outgoing
from ingest.central.announcements import Speaking, Stood, announcement
from ingest.central.engine import Engine
from ingest.central.outgoing import Given, Refusing
from ingest.central.points import Point, lines
from ingest.central.progress import (
    ForwarderSettings,
    Lag,
    Lagging,
    Lane,
    Progress,
    Stretch,
    after_sending,
    next_of_newest,
    next_stretch,
)
from ingest.central.read_back import Sent, Unsettled, changed_again
from ingest.central.writing import Later, Waiting, Writer, deliver
from ingest.clock import Clock
from ingest.site.places import Site
from ingest.store.api import SeriesExtent
from ingest.store.sqlite_store import SqliteStore
from ingest.store.unit_of_work import SqliteUnitOfWork

NAME: Final = "central"
"""Under which name the position is kept."""

STORE_NAME: Final = "store name"

NEVER_MS: Final = -(2**53)
"""Before every instant."""

_log = structlog.get_logger("lumberroom.central")


class Forwarder:
    """Forwards one store, step by step. Everything here blocks and is for one thread; the figures are for any."""

    def __init__(
        self,
        store: SqliteStore,
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
        self._site = site
        self._settings = settings
        self._stood = stood
        self._begun = False
        self._store_name = ""
        self._settled = Progress()  # what has arrived: the durable position
        self._sent = Progress()  # what is out
        self._turn = 0
        self._extents: list[SeriesExtent] = []
        self._aside_tried_s: float | None = None
        self._accepted = 0
        self._lagging = Lagging()
        self._refusing = Refusing(store, clock.now_ms)
        self._speaking = Speaking(self._announcement, settings)
        self._waiting = Waiting(settings.spread)
        self._unsettled = Unsettled(engine, settings, self._hand_over, self._derived, self._refusing, self._waiting)

    @property
    def trouble(self) -> str:
        """What keeps readings from arriving, a sentence, or nothing."""
        return self._waiting.trouble or self._unsettled.trouble

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
            "accepted": self._accepted,
            "resent": self._unsettled.resent,
            "taken_by_word": self._unsettled.by_word,
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
        still = self._hand_over(aside, now_s) if aside else None
        if still is not None:
            taken = tuple(point for point in aside if point not in still)
            # Taken is not stored: it is read back like everything else before it is dropped here.
            self._unsettled.add(Sent(None, 0, taken, now_s, now_s, self._settings.tries))

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
        stretch = self._next(newest)
        if stretch is None:
            self._lagging.idle(self._settled, now_ms)
            return min(settings.look_s, self._unsettled.wait_s(now_s))
        self._turn += 1
        given = self._given(stretch, newest)
        if given.lost:
            _log.error("changes are gone that were not forwarded yet; everything is gone through anew")
            self._begin_anew()
            return 0.0
        derived = self._derived(given.points)
        refused = self._hand_over([*given.points, *derived], now_s)
        if refused is None:
            return self._waiting.until_s - now_s
        kept = tuple(point for point in given.points if point not in refused)
        self._sent = after_sending(self._sent, stretch, given.reached)
        again = changed_again(derived, given.points)
        self._unsettled.add(Sent(stretch, given.reached, kept, now_s, now_s, again=again))
        return 0.0

    def _next(self, newest: int) -> Stretch | None:
        """Give what goes next: of any lane while there is room, of the newest changes alone up to twice as much."""
        room, backlog = self._settings.most_unsettled - self._unsettled.points, self._settings.backlog
        if room > 0:
            return next_stretch(self._sent, newest, turn=self._turn, backlog=backlog)
        return next_of_newest(self._sent, newest, backlog=backlog) if room > -self._settings.most_unsettled else None

    def _given(self, stretch: Stretch, newest: int) -> Given:
        """Fetch what a stretch holds."""
        read, limit = self._store.read, self._settings.batch
        if stretch.lane is not Lane.PAST:
            return outgoing.changed(read, stretch.after, newest, limit)
        return outgoing.past(read, self._extents, stretch.after, self._sent.past_until_ms or stretch.after, limit)

    def _derived(self, points: Sequence[Point]) -> list[Point]:
        return outgoing.derived_points(self._store.read, points) if self._settings.derived else []

    def _hand_over(self, points: Sequence[Point], now_s: float) -> set[Point] | None:
        """Hand points over and give those that are refused, which are set aside; None where the engine must wait."""
        rooms = {sensor.id: sensor.room for sensor in self._site().sensors}

        def to_lines(some: Sequence[Point]) -> list[str]:
            return lines(some, site=self._settings.site_id, rooms=rooms)

        outcome = deliver(self._writer, points, to_lines, self._announcement, at_once=self._settings.batch)
        self._accepted += outcome.accepted
        if outcome.later is not None:
            self._waiting.put_off(outcome.later, now_s)
            return None
        self._waiting.went_well()
        return self._refusing.put(outcome.refused)

    def _settle(self, now_s: float) -> None:
        """Look for what is old enough, and move the durable position over what is there."""
        before = self._settled
        self._unsettled.look(now_s)
        for sent in self._unsettled.arrived():
            if sent.stretch is not None:
                self._settled = after_sending(self._settled, sent.stretch, sent.reached)
        if self._settled != before:
            self._lagging.arrived(self._settled)
            with self._store.transaction() as work:
                self._keep(work)

    def _keep(self, work: SqliteUnitOfWork) -> None:
        """Write the durable position, and let go of the changes before it, in one unit of work."""
        work.save_forwarding(NAME, {**self._settled.as_json(), "caught_up_ms": self._lagging.caught_up_ms})
        work.follow_changes(NAME, through=self._settled.oldest)
