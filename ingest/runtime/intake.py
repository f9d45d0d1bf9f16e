"""The one way in: readings are checked, stored, judged and told of, in one transaction, by one writer.

What hands readings in by `submit` learns that they are durable when it returns. Adapters, which have nobody to tell,
`deliver` and go on reading. Whatever is waiting when the writer is free goes into the next transaction together, so
that many small senders cost few commits.

When the store cannot be written (a full disk), whoever waits in `submit` is told so by a StorageError; readings of
adapters are held in bounded memory, tried again with growing pauses, and the oldest are given up (and counted) when
there are too many.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import structlog

from adapters.contract import Reading, Rejection, Why
from dashboards.services import News, Submitted
from ingest.clock import Clock
from ingest.errors import LumberroomError, StorageError
from ingest.runtime.backoff import BackOff
from ingest.runtime.checking import check
from ingest.runtime.machine.logs import Repeats, quietly
from ingest.runtime.unassigned import MOST, Unassigned
from ingest.settings.wiring import GATHER_S
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.site.series import ReadingBatch
from ingest.store.api import Appended, Store, UnitOfWork
from ingest.watch.window import arrears

BATCH_READINGS: Final = 20_000
"""No more than this goes into one transaction, so that nobody waits long behind a flood."""

URGENT_WAITERS: Final = 10
"""So many senders that wait for their readings to be durable are not kept waiting: some hand in no more before then."""

GATHERED_READINGS: Final = 500
"""When so many wait there is nothing to gain by waiting longer."""

WAITING_READINGS: Final = 20_000
"""When more than this waits to be written, adapters are made to wait: a replayed file goes as fast as the store."""

HELD_READINGS: Final = 200_000
"""How many readings of adapters are held while the store cannot be written (about 30 MB)."""

MOST_UNASSIGNED: Final = MOST
"""How many unassigned sensors are remembered; the one heard longest ago is forgotten first."""

LOGGED_UNASSIGNED: Final = 50

Judge = Callable[[UnitOfWork, Site, ReadingBatch, int], list[Incident]]
"""Judges a batch within the transaction, puts notices into the outbox, and gives the incidents that changed:
(work, site, batch, now_ms)."""

_log = structlog.get_logger("lumberroom.intake")


class PoisonedError(StorageError):
    """The store fails with these readings by a fault of ours: trying again would not help."""


class Written(NamedTuple):
    """What one transaction did.  appended: per submission, in order."""

    appended: list[Appended]
    incidents: list[Incident]


class _Submission:
    """Readings to be written.  done: told of the outcome, where somebody waits for it."""

    __slots__ = ("done", "readings", "since_s")

    def __init__(self, readings: list[Reading], done: asyncio.Future[Appended] | None) -> None:
        self.readings = readings
        self.done = done
        self.since_s = time.monotonic()  # real: a demonstration's clock runs faster than any disk

    def succeed(self, appended: Appended) -> None:
        """Tell whoever still waits (it may have been cancelled meanwhile)."""
        if self.done is not None and not self.done.done():
            self.done.set_result(appended)

    def fail(self, error: LumberroomError) -> None:
        """As `succeed`."""
        if self.done is not None and not self.done.done():
            self.done.set_exception(error)


@dataclass(slots=True)
class IntakeHealth:
    """How the intake fares, for the page's health figures."""

    stored: int = 0
    repeated: int = 0
    amended: int = 0
    too_late: int = 0  # not stored: the readings around them went by a rule of retention
    rejected: Counter[str] = field(default_factory=Counter)
    rejected_by_source: dict[str, Counter[str]] = field(default_factory=dict)
    held: int = 0
    given_up: int = 0  # readings lost because the store could not be written for too long
    judging_failures: int = 0
    judging_error: str = ""  # why the last readings were not judged; empty when they were
    store_error: str = ""  # why the store cannot be written at present; empty while all is well

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures."""
        return {
            "stored": self.stored,
            "repeated": self.repeated,
            "amended": self.amended,
            "too_late": self.too_late,
            "rejected": dict(self.rejected),
            "held": self.held,
            "given_up": self.given_up,
            "judging_failures": self.judging_failures,
            "judging_error": self.judging_error,
            "store_error": self.store_error,
        }


class Intake:
    """Takes readings from every source. Its methods are for the event loop; writing happens in one thread."""

    def __init__(
        self,
        store: Store,
        clock: Clock,
        site: Callable[[], Site],
        judge: Judge,
        publish: Callable[[News], None],
        *,
        gather_s: float = GATHER_S,
    ) -> None:
        """Take the parts.

        gather_s: for so long readings are gathered into one transaction, which is what wears a memory card; a power cut
        takes what was gathered and for which nobody waited. Who pushes and waits for the answer is not kept waiting.
        """
        self._gather_s = gather_s
        self._urgent = False  # somebody waits for an answer
        self._store = store
        self._clock = clock
        self._site = site
        self._judge = judge
        self._publish = publish
        self._queue: deque[_Submission] = deque()
        self._wake = asyncio.Event()
        self._waiting = 0  # readings in the queue
        self._oldest_s: float | None = None  # since when what is written next, or just now, has been waiting
        self._began_s = -gather_s  # the last transaction, on the monotonic clock
        self._room = asyncio.Event()
        self._held: deque[list[Reading]] = deque()
        self.unassigned = Unassigned()
        self._writer = ThreadPoolExecutor(max_workers=1, thread_name_prefix="lumberroom-writer")
        self._repeats = Repeats()
        self._ailing: set[str] = set()  # rooms that cannot be judged by a fault of ours; the rounds try them again
        self._is_told = False  # the log has it that the store cannot be written
        self._refusals = Repeats()  # of their own: a crowd of bad senders must not keep the store's trouble quiet
        self._tasks: list[asyncio.Task[None]] = []
        self._closed = False
        self._known: tuple[Site, frozenset[str]] | None = None
        self.health = IntakeHealth()

    def unassigned_sensors(self) -> Mapping[str, int]:
        """Give sensors that belong to no room and when they were last reading (UTC ms), most recent last."""
        return {sensor: heard.heard_ms for sensor, heard in self.unassigned.all().items()}

    def waited_s(self) -> float:
        """Give for how long (real seconds) the oldest reading waits beyond its gathering to be written. Any thread."""
        oldest_s = self._oldest_s
        return 0.0 if oldest_s is None else max(0.0, time.monotonic() - oldest_s - self._gather_s)

    def rejected_of(self, source: str) -> Mapping[str, int]:
        """Give what was refused of one source, by reason."""
        return self.health.rejected_by_source.get(source, {})

    async def submit(self, readings: Sequence[Reading], source: str) -> Submitted:
        """Check readings and store those that pass; returns once they are durable.

        source: who hands them in, for the counts.  Raises StorageError when they could not be stored.
        """
        good, refused = self._checked(readings, source)
        appended = await self._stored(good, is_urgent=True) if good else Appended(0, 0, 0)
        return Submitted(appended, tuple(rejection for _, rejection in refused), tuple(number for number, _ in refused))

    async def deliver(self, readings: Sequence[Reading], source: str) -> None:
        """Take readings of an adapter, which has nobody to tell: returns at once, or when there is room again."""
        good, _ = self._checked(readings, source)
        if not good:
            return
        if self._held or self._closed:
            self._hold(good)
            return
        self._enqueue(_Submission(good, None))
        while self._waiting > WAITING_READINGS and not self._closed:
            self._room.clear()
            await self._room.wait()

    async def deliver_durably(self, readings: Sequence[Reading], source: str) -> None:
        """Take readings whose sender keeps them until they are stored: returns when they are durable.

        While the store cannot be written it is tried again with growing pauses, and the sender waits; readings with
        which the store fails by a fault of ours are given up and counted.  Raises StorageError while we stop.
        """
        good, _ = self._checked(readings, source)
        back_off = BackOff(longest_s=30.0)
        while good:
            try:
                await self._stored(good, is_urgent=False)
            except PoisonedError:
                self.health.given_up += len(good)
            except StorageError as error:
                if self._closed:
                    raise
                self._note_trouble(error)
                await self._clock.sleep(back_off.next_s())
                continue
            return

    def start(self) -> None:
        """Begin to write what comes in. Call it once, before anything is handed in."""
        self._tasks = [
            asyncio.create_task(self._write_on(), name="intake writer"),
            asyncio.create_task(self._retry_held(), name="intake retries"),
        ]

    async def close(self) -> None:
        """Refuse what comes from now on; write what is waiting, and what is held if the store lets us."""
        self._closed = True
        self._wake.set()
        self._room.set()
        if self._tasks:
            writing, retrying = self._tasks
            retrying.cancel()
            await asyncio.wait(self._tasks)
            if not writing.cancelled() and (failure := writing.exception()) is not None:
                _log.error("the intake's writer failed", exc_info=failure)
        if self._held and not await self._write_held():
            _log.error("readings that could not be stored are lost", readings=self.health.held)
        self._writer.shutdown(wait=False)

    async def _write_on(self) -> None:
        while not (self._closed and not self._queue):
            await self._wake.wait()
            self._wake.clear()
            while self._queue:
                await self._gather()
                await self._write(self._next_submissions())

    async def _gather(self) -> None:
        """Let more come in, where the last transaction has only just begun."""
        while (left_s := self._began_s + self._gathers_for_s() - time.monotonic()) > 0:
            if self._waiting >= GATHERED_READINGS or self._closed:
                break
            if self._gathers_for_s() <= GATHER_S:
                await asyncio.sleep(left_s)
                break
            self._wake.clear()  # a long gathering ends as soon as somebody comes who waits
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(left_s):
                    await self._wake.wait()
        self._urgent = False
        self._began_s = time.monotonic()

    def _gathers_for_s(self) -> float:
        return GATHER_S if self._urgent else self._gather_s

    async def write(self, work: Callable[[], list[Incident]]) -> list[Incident]:
        """Run another piece of writing in the writer's thread, between transactions; publish what it changed."""
        try:
            changed = await asyncio.get_running_loop().run_in_executor(self._writer, work)
        except StorageError as error:
            self._note_trouble(error)
            raise
        if not self._held:  # a round that changed nothing needed no room: it proves nothing about what waits
            self._note_well()
        if changed:
            rooms = tuple(dict.fromkeys(incident.room for incident in changed if incident.room))
            self._publish(News(self._clock.now_ms(), rooms, tuple(changed)))
        return changed

    def _checked(self, readings: Sequence[Reading], source: str) -> tuple[list[Reading], list[tuple[int, Rejection]]]:
        now_ms = self._clock.now_ms()
        checked = check(readings, self._known_sensors(), now_ms)
        for number, _ in checked.unassigned:
            self._remember_unassigned(readings[number], source, now_ms)
        refused = checked.wrong + checked.unassigned
        if refused:
            self._count([rejection for _, rejection in refused], source)
        return checked.good, refused

    def _known_sensors(self) -> frozenset[str]:
        site = self._site()
        if self._known is None or self._known[0] is not site:
            self._known = (site, frozenset(sensor.id for sensor in site.sensors))
        return self._known[1]

    def _count(self, rejections: list[Rejection], source: str) -> None:
        counts = Counter(rejection.reason for rejection in rejections)
        self.health.rejected.update(counts)
        self.health.rejected_by_source.setdefault(source, Counter()).update(counts)
        for rejection in rejections:
            if rejection.reason == Why.UNKNOWN_SENSOR:
                continue
            # Anybody may call himself anything, and each time something else: only our own sensors are told apart.
            who = rejection.sensor if rejection.sensor in self._known_sensors() else source
            quiet = self._refusals.due(f"{who} {rejection.reason}", self._clock.monotonic_s())
            if quiet is not None:
                _log.warning("a reading was refused", source=source, **quietly(quiet), **rejection._asdict())

    def _remember_unassigned(self, reading: Reading, source: str, now_ms: int) -> None:
        # Radios that change their address all the time must not fill the log; the page lists them.
        if self.unassigned.hear(reading, source, now_ms) and len(self.unassigned) <= LOGGED_UNASSIGNED:
            _log.info("a sensor that belongs to no room is heard", sensor=reading.sensor)

    async def _stored(self, readings: list[Reading], *, is_urgent: bool) -> Appended:
        if self._closed:
            raise StorageError("the daemon is stopping", mend="Send it again when it is back.")
        done: asyncio.Future[Appended] = asyncio.get_running_loop().create_future()
        self._enqueue(_Submission(readings, done), is_urgent=is_urgent)
        return await done

    def _enqueue(self, submission: _Submission, *, is_urgent: bool = False) -> None:
        self._queue.append(submission)
        if self._oldest_s is None:
            self._oldest_s = submission.since_s
        self._waiting += len(submission.readings)
        if submission.done is not None and not self._urgent and self._gather_s > GATHER_S:
            self._urgent = is_urgent or sum(one.done is not None for one in self._queue) >= URGENT_WAITERS
        self._wake.set()

    def _next_submissions(self) -> list[_Submission]:
        """Take what goes into the next transaction; neighbours for which nobody waits become one."""
        taken = [self._queue.popleft()]
        size = len(taken[0].readings)
        while self._queue and size + len(self._queue[0].readings) <= BATCH_READINGS:
            following = self._queue.popleft()
            size += len(following.readings)
            if following.done is None and taken[-1].done is None:
                taken[-1].readings.extend(following.readings)
            else:
                taken.append(following)
        return taken

    async def _write(self, submissions: list[_Submission]) -> None:
        """Write submissions in one transaction and tell their submitters; on failure hold what adapters delivered."""
        try:
            appended = await self._in_thread([submission.readings for submission in submissions])
        except LumberroomError as error:
            self._failed(submissions, error)
        except Exception as error:  # noqa: BLE001 -- the boundary to the store: a bug there must not end the intake
            _log.error("storing readings failed; they are given up", exc_info=error)
            for submission in submissions:
                if submission.done is None:
                    self.health.given_up += len(submission.readings)
                submission.fail(
                    PoisonedError(f"the store failed unexpectedly ({error})", mend="The log has the trace.")
                )
        else:
            for submission, outcome in zip(submissions, appended, strict=True):
                submission.succeed(outcome)
        self._oldest_s = self._queue[0].since_s if self._queue else None
        self._waiting -= sum(len(submission.readings) for submission in submissions)
        self._room.set()

    def _failed(self, submissions: list[_Submission], error: LumberroomError) -> None:
        if isinstance(error, StorageError) or any(submission.done is None for submission in submissions):
            self._note_trouble(error)
        for submission in submissions:
            if submission.done is None:
                self._hold(submission.readings)
            submission.fail(error)

    async def _in_thread(self, parts: list[list[Reading]]) -> list[Appended]:
        site, now_ms = self._site(), self._clock.now_ms()
        loop = asyncio.get_running_loop()
        written = await loop.run_in_executor(self._writer, self._transact, parts, site, now_ms)
        self._account(written, parts, site, now_ms)
        return written.appended

    def _transact(self, parts: list[list[Reading]], site: Site, now_ms: int) -> Written:
        """Store, judge and put notices out in one transaction; runs in the writer's thread.

        Where the judging fails the readings are stored all the same, and each room is judged by itself: the one that
        cannot be is noted as unjudged (the rounds of the watch take it up), and the others are none the worse for it.
        """
        self._ailing = {room for room in self._ailing if arrears.noted(self._store.read, arrears.UNJUDGED, room)}
        try:
            written = self._append_and(self._judge_well, parts, site, now_ms)
        except StorageError:
            raise
        except Exception as error:  # noqa: BLE001 -- the boundary to the watch: its bug must not cost readings
            written = self._append_and(_judge_nothing, parts, site, now_ms)
            return written._replace(incidents=self._judge_apart(parts, site, now_ms, error))
        if not self._ailing:
            self.health.judging_error = ""
        return written

    def _judge_well(self, work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
        """Judge a batch but for the rooms of which it is known that they cannot be judged."""
        if not self._ailing:
            return self._judge(work, site, batch, now_ms)
        ailing = {sensor.id for sensor in site.sensors if sensor.room in self._ailing}
        arrears.note_unjudged(work, site, _part(batch, lambda sensor: sensor in ailing))
        well = _part(batch, lambda sensor: sensor not in ailing)
        return self._judge(work, site, well, now_ms) if len(well) else []

    def _judge_apart(self, parts: list[list[Reading]], site: Site, now_ms: int, error: Exception) -> list[Incident]:
        """Judge room by room what is stored, and noted as unjudged; give the incidents that changed."""
        self.health.judging_failures += 1
        found: list[Incident] = []
        batch = ReadingBatch.of(reading for part in parts for reading in part)
        rooms = dict.fromkeys(sensor.room for sensor in site.sensors if sensor.id in {key.sensor for key in batch.keys})
        well = [room for room in rooms if room not in self._ailing]
        if len(well) == 1:
            self._note_fault(well[0], error)
            return []
        for room in well:
            of_room = {sensor.id for sensor in site.sensors_of(room)}
            try:
                found += self._judge_one(_part(batch, of_room.__contains__), room, site, now_ms)
            except StorageError:
                raise
            except Exception as fault:  # noqa: BLE001 -- the same boundary
                self._note_fault(room, fault)
        return found

    def _judge_one(self, batch: ReadingBatch, room: str, site: Site, now_ms: int) -> list[Incident]:
        with self._store.transaction() as work:
            if arrears.noted(work.read, arrears.UNJUDGED, room) == arrears.earliest(batch):
                arrears.settle(work, arrears.UNJUDGED, room)
            return self._judge(work, site, batch, now_ms)

    def _note_fault(self, room: str, fault: Exception) -> None:
        self._ailing.add(room)
        said = str(fault) if isinstance(fault, LumberroomError) else f"{type(fault).__name__}: {fault}"
        self.health.judging_error = f"room {room}: {said}"[:200]
        if self._repeats.due(f"judging {room}: {fault}", self._clock.monotonic_s()) is not None:
            _log.error("judging failed; the readings of this room are stored unjudged", room=room, exc_info=fault)

    def _append_and(self, judge: Judge, parts: list[list[Reading]], site: Site, now_ms: int) -> Written:
        batches = [ReadingBatch.of(part) for part in parts]
        with self._store.transaction() as work:
            appended = [work.append(batch, heard_ms=now_ms) for batch in batches]
            # What was all there already (a file played again, a sender that repeats) came to pass when it first came:
            # judged again it would count as late, and a stretch would be judged anew for nothing.
            fresh = [n for n, done in enumerate(appended) if done.stored or done.amended]
            if not fresh:
                return Written(appended, [])
            if len(fresh) == 1:
                return Written(appended, judge(work, site, batches[fresh[0]], now_ms))
            together = ReadingBatch.of(reading for n in fresh for reading in parts[n])
            return Written(appended, judge(work, site, together, now_ms))

    def _account(self, written: Written, parts: list[list[Reading]], site: Site, now_ms: int) -> None:
        health = self.health
        self._note_well()
        for appended in written.appended:
            health.stored += appended.stored
            health.repeated += appended.repeated
            health.amended += appended.amended
            health.too_late += appended.too_late
            self._tell_too_late(appended.too_late)
        heard = {reading.sensor for part in parts for reading in part}
        rooms = dict.fromkeys(sensor.room for sensor in site.sensors if sensor.id in heard)
        rooms.update(dict.fromkeys(incident.room for incident in written.incidents if incident.room))
        self._publish(News(now_ms, tuple(rooms), tuple(written.incidents)))

    def _tell_too_late(self, count: int) -> None:
        quiet = self._repeats.due("too late", self._clock.monotonic_s()) if count else None
        if quiet is not None:
            _log.warning(
                "readings were not taken: those around them went by keep_readings_days", count=count, **quietly(quiet)
            )

    def _note_trouble(self, error: LumberroomError) -> None:
        self.health.store_error = str(error)
        quiet = self._repeats.due(str(error), self._clock.monotonic_s())
        if quiet is not None:
            self._is_told = True
            _log.error(
                "the store cannot be written; what adapters read is held in memory", error=str(error), **quietly(quiet)
            )

    def _note_well(self) -> None:
        if self._is_told:
            _log.info("the store can be written again", was=self.health.store_error)
        self.health.store_error, self._is_told = "", False

    def _hold(self, readings: list[Reading]) -> None:
        self._held.append(readings)
        self.health.held += len(readings)
        while self.health.held > HELD_READINGS:
            lost = len(self._held.popleft())
            self.health.held -= lost
            self.health.given_up += lost

    async def _retry_held(self) -> None:
        back_off = BackOff(longest_s=30.0)
        while True:
            await self._clock.sleep(back_off.next_s())
            if not self._held or await self._write_held():
                back_off.went_well()

    async def _write_held(self) -> bool:
        """Write what is held, oldest first; say whether nothing is held any more."""
        while self._held:
            part = self._held[0]
            try:
                await self._in_thread([part])
            except LumberroomError as error:
                self._note_trouble(error)
                return False
            except Exception as error:  # noqa: BLE001 -- as in _write: what is poisoned must not block what follows
                _log.error("storing held readings failed; they are given up", exc_info=error)
                self.health.given_up += len(part)
            if self._held and self._held[0] is part:
                self._held.popleft()
                self.health.held -= len(part)
        return True


def _part(batch: ReadingBatch, wanted: Callable[[str], bool]) -> ReadingBatch:
    """Give the readings of those sensors."""
    return ReadingBatch.of(reading for reading in batch.readings() if wanted(reading.sensor))


def _judge_nothing(work: UnitOfWork, site: Site, batch: ReadingBatch, now_ms: int) -> list[Incident]:
    arrears.note_unjudged(work, site, batch)
    return []
