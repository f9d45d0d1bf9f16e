"""The postman: delivers what lies in the outbox until it has arrived.

Promises: at least once (a notice is marked as sent only after the other side has taken it; only a crash, or a stop that
cannot wait for the other side's word, can send it twice), in order per incident and recipient, no notice in the way of
another, restarts forget nothing.
"""

from __future__ import annotations

import asyncio
import bisect
import contextlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final

import structlog

from ingest.clock import Clock
from ingest.errors import StorageError
from ingest.notices.channels.channel import Channel, Later, Outcome, Refused, Sent
from ingest.site.incidents import Notice, NoticeState
from ingest.store.api import Store

FIRST_WAIT_S: Final = 5.0
LONGEST_WAIT_S: Final = 3600.0
ATTEMPT_S: Final = 60.0
"""How long one attempt may take, in real seconds."""

LANES: Final = 4
"""How many notices are under way at once, so that one that hangs does not hold up the others."""

LOOK_AGAIN_S: Final = 60.0
"""The outbox is looked through at least this often, should a wake-up ever be missed."""

READ_AT_ONCE: Final = 100_000

MOST_THROUGH: Final = 10_000
"""So many deliveries are remembered: far more than can happen while the outbox is read once."""

Line = tuple[str, str, str]
"""Channel, incident, recipient: what is told of one incident to one recipient stays in order."""

_log = structlog.get_logger("lumberroom.postman")


BOUNDS_S: Final = (0.5, 1.0, 2.0, 5.0, 30.0, 60.0, 300.0, 3600.0, 86_400.0, math.inf)
"""Upper bounds of the histogram's buckets (s)."""


class Lateness:
    """Counts, since the start, how late notices went out."""

    def __init__(self) -> None:
        self._counts = [0] * len(BOUNDS_S)
        self.sum_s = 0.0

    def note(self, late_s: float) -> None:
        """Count one.  late_s: from commit to acceptance (s); a clock that was set back makes it 0 at the least."""
        late_s = max(late_s, 0.0)
        self._counts[bisect.bisect_left(BOUNDS_S, late_s)] += 1
        self.sum_s += late_s

    @property
    def count(self) -> int:
        """How many went out."""
        return sum(self._counts)

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures: how many were at most so many seconds late, by those seconds ("+Inf" for all)."""
        within, total = {}, 0
        for bound_s, count in zip(BOUNDS_S, self._counts, strict=True):
            total += count
            within["+Inf" if math.isinf(bound_s) else f"{bound_s:g}"] = total
        return {"count": total, "sum_s": round(self.sum_s, 3), "within_s": within}


def wait_s(attempts: int) -> float:
    """Give how long to wait after so many failed attempts (1 or more): 5 s, 10 s, 20 s ... one hour."""
    return float(min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(max(attempts - 1, 0), 30)))


def lines_of(notice: Notice) -> frozenset[Line]:
    """Give the lines in which a notice stands: it is delivered after those before it in each, and after no others."""
    incidents = (notice.incident, *notice.facts.get("incidents", ()))
    return frozenset((notice.channel, incident, notice.recipient) for incident in incidents)


class Postman:
    """Delivers what lies in the outbox, until cancelled."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        channels: Mapping[str, Channel],
        *,
        attempt_s: float = ATTEMPT_S,
        told: Callable[[Notice], None] = lambda notice: None,
        most_through: int = MOST_THROUGH,
    ) -> None:
        """Take the store, the clock and the channels by name.

        told: is given each notice whose state has changed.  most_through: how many deliveries are remembered.
        """
        self._store = store
        self._clock = clock
        self._channels = dict(channels)
        self._attempt_s = attempt_s
        self._told = told
        self._news = asyncio.Event()
        self._draining = False
        self._idle = asyncio.Event()
        self._idle.set()
        self._busy: dict[Line, int] = {}
        self.lateness = Lateness()
        self._unwritten: dict[int, Notice] = {}
        # Numbers that are through, in case what was read a moment ago still has them waiting: the last ones, in order.
        self._through: dict[int, None] = {}
        self._most_through = most_through
        # Notices put off because the way was closed: the first delivery shows that it is open, and all are due again.
        self._waiting_for_way: dict[str, set[int]] = {}

    def wake(self) -> None:
        """Say that there may be something new. For the event loop's thread."""
        self._news.set()

    async def drain(self) -> None:
        """Begin no delivery more; return when those under way have ended and what became of them is written.

        To be waited for before the tasks are cancelled: a mail that the server has taken, its word still on the way,
        would be sent a second time at the next start.
        """
        self._draining = True
        await self._idle.wait()

    async def run(self) -> None:
        """Deliver until cancelled."""
        self._busy.clear()  # of a run before that failed
        async with asyncio.TaskGroup() as lanes:
            while True:
                self._news.clear()
                pause_s = await self._start_what_is_due(lanes)
                await self._news_or(pause_s)

    async def _start_what_is_due(self, lanes: asyncio.TaskGroup) -> float:
        """Start what is due while lanes are free and give the seconds until something else will be."""
        try:
            await self._write_what_is_unwritten()
            busy = set(self._busy)  # a line that becomes free while we read may be out of date in what we read
            waiting = await asyncio.to_thread(self._waiting)
        except StorageError as error:
            _log.error("the outbox cannot be read or written", error=str(error))
            return FIRST_WAIT_S
        now_ms, pause_s = self._clock.now_ms(), LOOK_AGAIN_S
        for notice in self._heads(waiting, busy | set(self._busy)):
            due_in_s = self._due_in_s(notice, now_ms)
            if due_in_s > 0:
                pause_s = min(pause_s, due_in_s)
            elif len(set(self._busy.values())) < LANES and not self._draining and not self._held_back(notice):
                self._idle.clear()
                self._busy |= dict.fromkeys(lines_of(notice), notice.number)
                lanes.create_task(self._deliver(notice), name=f"notice {notice.number}")
        return pause_s

    def _waiting(self) -> list[Notice]:
        return self._store.read.notices(state=NoticeState.WAITING, limit=READ_AT_ONCE)

    def _heads(self, waiting: Sequence[Notice], busy: set[Line]) -> list[Notice]:
        """Give those that are first in all their lines, none of which anybody is busy with; never tried ones first."""
        heads, taken = [], set(busy)
        for notice in waiting:
            if notice.number in self._through:
                continue
            lines = lines_of(notice)
            if taken.isdisjoint(lines):
                heads.append(notice)
            taken |= lines
        return sorted(heads, key=lambda notice: (notice.attempts > 0, notice.number))

    def _held_back(self, notice: Notice) -> bool:
        """Tell whether a notice tried before must wait for another that finds out whether the way is open again."""
        closed = self._waiting_for_way.get(notice.channel, set())
        return notice.attempts > 0 and not closed.isdisjoint(self._busy.values())

    def _due_in_s(self, notice: Notice, now_ms: int) -> float:
        due_in_s = (notice.due_ms - now_ms) / 1000
        # Nothing is ever put off for longer than the longest wait: a due time beyond it is from a clock set back since.
        return 0.0 if due_in_s > LONGEST_WAIT_S else due_in_s

    async def _deliver(self, notice: Notice) -> None:
        try:
            outcome = await self._attempt(notice)
            # Nothing may be awaited between the other side's word and the writing of it: being stopped there would
            # send the notice a second time.
            self._unwritten[notice.number] = self._after(notice, outcome)
            if not isinstance(outcome, Later):
                self._note_through(notice.number)
            with contextlib.suppress(StorageError):  # kept in _unwritten, and tried again by the rounds
                await self._write_what_is_unwritten()
                if isinstance(outcome, Sent):
                    await self._release(notice)
        finally:
            self._leave(notice)
            if not self._busy:
                self._idle.set()
            self._news.set()

    def _note_through(self, number: int) -> None:
        self._through[number] = None
        if len(self._through) > self._most_through:
            del self._through[next(iter(self._through))]

    def _leave(self, notice: Notice) -> None:
        for line in lines_of(notice):
            self._busy.pop(line, None)

    async def _attempt(self, notice: Notice) -> Outcome:
        channel = self._channels.get(notice.channel)
        if channel is None:
            return Later(
                f"No way called {notice.channel!r} is set up. Set it up in the settings file.", way_closed=True
            )
        try:
            async with asyncio.timeout(self._attempt_s):
                return await channel.send(notice)
        except TimeoutError:
            return Later(f"The other side gave no answer within {self._attempt_s:g} s. It is tried again by itself.")
        except Exception as error:  # noqa: BLE001 - the boundary: a bug in one channel or notice must not stop the rest
            _log.exception("a notice could not be delivered", notice=notice.number)
            return Later(f"A fault in lumberroom itself ({type(error).__name__}); the log has the details.")

    def _after(self, notice: Notice, outcome: Outcome) -> Notice:
        """Give the notice as an outcome leaves it."""
        now_ms = self._clock.now_ms()
        tried = replace(notice, attempts=notice.attempts + 1)
        if isinstance(outcome, Sent):
            self.lateness.note((now_ms - notice.created_ms) / 1000)
            _log.info("notice sent", notice=notice.number, attempts=tried.attempts, late_ms=now_ms - notice.created_ms)
            return replace(tried, state=NoticeState.SENT, sent_ms=now_ms, last_error="")
        if isinstance(outcome, Refused):
            _log.error("notice refused", notice=notice.number, reason=outcome.reason)
            return replace(tried, state=NoticeState.REFUSED, last_error=outcome.reason)
        _log.warning("notice put off", notice=notice.number, attempts=tried.attempts, reason=outcome.reason)
        if outcome.way_closed:
            self._waiting_for_way.setdefault(notice.channel, set()).add(notice.number)
        due_ms = now_ms + round(wait_s(tried.attempts) * 1000)
        return replace(tried, due_ms=due_ms, last_error=outcome.reason)

    async def _release(self, sent: Notice) -> None:
        """Make due at once what had been put off only because the way was closed. Raises StorageError."""
        numbers = self._waiting_for_way.pop(sent.channel, set())
        if not numbers - {sent.number}:
            return
        now_ms = self._clock.now_ms()
        waiting = await asyncio.to_thread(self._waiting)
        # Their lines are taken meanwhile: a delivery that overtook this writing would be undone by it.
        freed = [
            one for one in waiting
            if one.number in numbers - self._through.keys() and self._busy.keys().isdisjoint(lines_of(one))
        ]  # fmt: skip
        self._busy |= {line: one.number for one in freed for line in lines_of(one)}
        try:
            self._unwritten |= {one.number: replace(one, due_ms=now_ms) for one in freed}
            await self._write_what_is_unwritten()
        finally:
            for one in freed:
                self._leave(one)

    async def _write_what_is_unwritten(self) -> None:
        """Write how far notices have come; what cannot be written is kept, so that nothing sent is sent again."""
        if not self._unwritten:
            return
        changed = dict(self._unwritten)
        await asyncio.to_thread(self._write, list(changed.values()))
        for number, notice in changed.items():
            if self._unwritten.get(number) is notice:
                del self._unwritten[number]
                self._told(notice)

    def _write(self, changed: Sequence[Notice]) -> None:
        with self._store.transaction() as work:
            for notice in changed:
                work.update_notice(notice)
                if notice.state is NoticeState.REFUSED:
                    # Nobody has heard of it this way: those who would be told later are told now, by the other ways.
                    for incident in (notice.incident, *notice.facts.get("incidents", ())):
                        work.telling.tell_others_now(incident, self._clock.now_ms())

    async def _news_or(self, pause_s: float) -> None:
        waits = [asyncio.create_task(self._news.wait()), asyncio.create_task(self._clock.sleep(pause_s))]
        try:
            await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()
