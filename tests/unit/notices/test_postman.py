"""The postman: at least once, in order, nobody in anybody's way, whatever the other side does and for however long."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field, replace

import pytest

from ingest.clock import Clock, DrivenClock
from ingest.errors import StorageError
from ingest.notices.channels.channel import Channel, Later, Outcome, Refused, Sent
from ingest.notices.channels.mail import MailChannel, MailSettings
from ingest.notices.outbox import enqueue
from ingest.notices.postman import LANES, Postman, wait_s
from ingest.notices.recipients import Recipient
from ingest.site.actor import WATCH
from ingest.site.incidents import Incident, Notice, NoticeState
from ingest.store.sqlite_store import SqliteStore

T0_MS = 1_795_600_800_000


@dataclass
class Letterbox:
    """A channel that does what its plan says for each incident and recipient, then accepts."""

    plan: dict[str, list[Outcome | str]] = field(default_factory=dict)
    tried: list[int] = field(default_factory=list)
    taken: list[int] = field(default_factory=list)

    async def send(self, notice: Notice) -> Outcome:
        self.tried.append(notice.number)
        steps = self.plan.get(notice.incident) or self.plan.get("all")
        step = steps.pop(0) if steps else Sent()
        if step == "hang":
            await asyncio.sleep(3600)
        if step == "bug":
            raise KeyError("something that nobody foresaw")
        assert isinstance(step, Sent | Later | Refused)
        if isinstance(step, Sent):
            self.taken.append(notice.number)
        return step


@contextlib.asynccontextmanager
async def at_work(
    store: SqliteStore, channel: Channel, clock: Clock | None = None, attempt_s: float = 5.0
) -> AsyncIterator[Postman]:
    """Let a postman work while the block runs."""
    postman = Postman(store, clock or DrivenClock(T0_MS + 1_800_000), {"mail": channel}, attempt_s=attempt_s)
    task = asyncio.create_task(postman.run())
    try:
        yield postman
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


async def until(condition: Callable[[], bool], clock: DrivenClock | None = None, step_s: float = 60.0) -> None:
    """Wait until something is so, driving the clock on if there is one; gives up after 15 real seconds."""
    async with asyncio.timeout(15):
        while not condition():
            if clock is not None:
                await clock.advance(step_s)
            await asyncio.sleep(0.005)


def states(store: SqliteStore) -> list[NoticeState]:
    return [notice.state for notice in store.read.notices()]


def numbered(incident: Incident, number: int) -> Incident:
    return replace(incident, id=f"{incident.id}.{number}")


def closed(incident: Incident) -> Incident:
    return replace(incident, closed_ms=incident.opened_ms + 3_600_000)


async def test_a_new_notice_goes_out_at_once(store, post, incident) -> None:
    """Waking the postman delivers within a fraction of a second, without waiting for his next look."""
    box = Letterbox()
    async with at_work(store, box) as postman:
        await asyncio.sleep(0.1)
        post(incident)
        started_s = asyncio.get_running_loop().time()
        postman.wake()
        await until(lambda: states(store) == [NoticeState.SENT])
    assert asyncio.get_running_loop().time() - started_s < 1.0
    assert store.read.notices()[0].attempts == 1


async def test_what_lies_in_the_outbox_at_the_start_is_delivered(store, post, incident) -> None:
    """A restart forgets nothing: what was committed and not sent goes out."""
    post(incident, closed(incident))
    async with at_work(store, Letterbox()):
        await until(lambda: states(store) == [NoticeState.SENT] * 2)


async def test_order_is_kept_per_incident_and_recipient(store, post, incident) -> None:
    """The all-clear never overtakes the alarm, even when the alarm must be tried three times."""
    clock = DrivenClock(T0_MS + 1_800_000)
    post(incident)
    post(closed(incident))
    box = Letterbox({incident.id: [Later("busy"), Later("busy"), Later("busy")]})
    async with at_work(store, box, clock):
        await until(lambda: len(box.taken) == 2, clock, 5.0)
    assert box.tried == [1, 1, 1, 1, 2]


async def test_a_hanging_notice_holds_up_no_other(store, post, incident) -> None:
    """One notice hangs to its time-out; the others are through long before."""
    others = [numbered(incident, number) for number in range(2 * LANES)]
    post(incident, *others)
    box = Letterbox({incident.id: ["hang"]})
    async with at_work(store, box, attempt_s=3.0):
        await asyncio.wait_for(until(lambda: len(box.taken) == len(others)), 2.0)
        assert 1 not in box.taken


async def test_an_attempt_is_bounded_and_tried_again(store, post, incident) -> None:
    """After its time-out a hanging attempt is put off with a sentence, and succeeds the next time."""
    clock = DrivenClock(T0_MS + 1_800_000)
    post(incident)
    box = Letterbox({incident.id: ["hang"]})
    async with at_work(store, box, clock, attempt_s=0.1):
        await until(lambda: store.read.notices()[0].attempts == 1)
        assert "no answer within 0.1 s" in store.read.notices()[0].last_error
        await until(lambda: box.taken == [1], clock, 5.0)


async def test_a_bug_in_one_notice_stops_nobody(store, post, incident) -> None:
    """An exception that nobody foresaw puts off its own notice alone."""
    post(incident, numbered(incident, 2))
    box = Letterbox({incident.id: ["bug"]})
    async with at_work(store, box):
        await until(lambda: box.taken == [2])
        await until(lambda: store.read.notices()[0].attempts == 1)
    assert "KeyError" in store.read.notices()[0].last_error


async def test_a_refused_notice_is_kept_with_its_reason_and_not_tried_again(store, post, incident) -> None:
    """A permanent refusal is shown, and the incident's next notice is tried all the same."""
    clock = DrivenClock(T0_MS + 1_800_000)
    post(incident)
    post(closed(incident))
    box = Letterbox({incident.id: [Refused("No such mailbox.")]})
    async with at_work(store, box, clock):
        await until(lambda: box.taken == [2])
        for _ in range(50):
            await clock.advance(600)
    assert box.tried == [1, 2]
    first = store.read.notices()[0]
    assert (first.state, first.last_error) == (NoticeState.REFUSED, "No such mailbox.")


def test_waits_double_from_five_seconds_to_an_hour() -> None:
    """The back-off is the same every time: 5 s, doubling, at most an hour."""
    assert [wait_s(attempts) for attempts in (1, 2, 3, 10, 11, 500)] == [5, 10, 20, 2560, 3600, 3600]


async def test_a_way_closed_for_a_day_is_tried_ever_less_and_opens_for_all(store, post, incident) -> None:
    """Down for 24 h (simulated): tens of attempts, not thousands; then everything arrives, in order, once."""
    clock = DrivenClock(T0_MS + 1_800_000)
    incidents = [numbered(incident, number) for number in range(6)]
    post(*incidents)
    post(*(closed(one) for one in incidents))
    down = [Later("The server is down.", way_closed=True)] * 100_000
    box = Letterbox({"all": list(down)})
    async with at_work(store, box, clock):
        end_s = clock.monotonic_s() + 86_400
        async with asyncio.timeout(30):
            while clock.monotonic_s() < end_s:
                await clock.advance(300)
                await asyncio.sleep(0.003)
        assert 6 * 15 < len(box.tried) < 6 * 45
        box.plan.clear()
        await until(lambda: len(box.taken) == 12, clock)
    assert sorted(box.taken) == list(range(1, 13))
    assert all(box.taken.index(number) < box.taken.index(number + 6) for number in range(1, 7))


async def test_a_clock_set_back_by_a_year_does_not_strand_a_notice(store, post, incident) -> None:
    """A due time that lies farther ahead than any wait can only come from a wrong clock, and is due now."""
    clock = DrivenClock(T0_MS + 1_800_000)
    post(incident)
    clock.step_wall(-365 * 86_400_000)
    box = Letterbox()
    async with at_work(store, box, clock):
        await until(lambda: box.taken == [1])


class _FailingStore:
    """A real store whose next transactions fail, as on a full disk."""

    def __init__(self, store: SqliteStore, failures: int) -> None:
        self._store, self.failures = store, failures

    @property
    def read(self):
        return self._store.read

    @contextlib.contextmanager
    def transaction(self):
        if self.failures:
            self.failures -= 1
            raise StorageError("the disk is full")
        with self._store.transaction() as work:
            yield work

    def close(self) -> None:
        """Leave the real one to its owner."""


async def test_a_full_disk_after_acceptance_sends_nothing_twice(store, post, incident) -> None:
    """A notice that was taken but could not be marked so is marked later, and not sent again meanwhile."""
    clock = DrivenClock(T0_MS + 1_800_000)
    post(incident)
    failing, box = _FailingStore(store, 4), Letterbox()
    async with at_work(failing, box, clock):  # type: ignore[arg-type]
        await until(lambda: states(store) == [NoticeState.SENT], clock, 5.0)
    assert box.tried == [1]


async def test_everything_arrives_once_and_in_order_through_a_server_with_tempers(
    office, settings: MailSettings, store, post, incident
) -> None:
    """A real server greylists, hangs mid-DATA, goes away and comes back: each mail arrives once, alarm first."""
    clock = DrivenClock(T0_MS + 1_800_000)
    office.answers.extend(["451 4.7.1 Greylisted", "hang", "452 4.3.1 Out of storage"])
    post(incident, numbered(incident, 2))
    channel = MailChannel(replace(settings, timeout_s=0.5))
    async with at_work(store, channel, clock, attempt_s=2.0):
        await until(lambda: len(office.taken) == 2, clock, 5.0)
        await office.shut()
        post(closed(incident), closed(numbered(incident, 2)))
        await until(lambda: all(notice.attempts >= 3 for notice in store.read.notices()[2:]), clock, 5.0)
        assert "the connection is refused" in store.read.notices()[2].last_error
        await office.open()
        await until(lambda: states(store) == [NoticeState.SENT] * 4, clock)
    subjects = [mail["Subject"] for mail in office.taken]
    assert len(subjects) == 4
    assert all("too damp" in subject for subject in subjects[:2])
    assert all("all clear" in subject for subject in subjects[2:])
    assert len({mail["Message-ID"] for mail in office.taken}) == 4


async def test_a_wrong_password_is_told_in_the_outbox_and_mended_by_a_restart(
    office, settings: MailSettings, store, post, incident
) -> None:
    """The notice waits with the sentence that says what to mend; with the right password it arrives."""
    post(incident)
    async with at_work(store, MailChannel(replace(settings, password="walnut"))):
        await until(lambda: store.read.notices()[0].attempts == 1)
    assert "does not accept the login store" in store.read.notices()[0].last_error
    clock = DrivenClock(store.read.notices()[0].due_ms)
    async with at_work(store, MailChannel(settings), clock):
        await until(lambda: states(store) == [NoticeState.SENT])
    assert len(office.taken) == 1


async def test_a_notice_rolls_back_with_its_incident(store, site, incident) -> None:
    """Where the transaction of the incident fails there is no notice either."""

    def half_way() -> None:
        with store.transaction() as work:
            work.put_incident(incident, at_ms=T0_MS, by=WATCH)
            assert enqueue(work, [incident], site, [Recipient("floor@example.org")], now_ms=T0_MS) == [1]
            raise RuntimeError("the power goes")

    with pytest.raises(RuntimeError, match="the power goes"):
        half_way()
    assert store.read.notices() == []
    assert store.read.incidents() == []


async def test_what_is_remembered_of_deliveries_is_bounded(store, post, incident) -> None:
    """Forty notices to a postman who remembers eight: each goes out once, and eight are remembered."""
    box = Letterbox()
    postman = Postman(store, DrivenClock(T0_MS + 1_800_000), {"mail": box}, most_through=8)
    task = asyncio.create_task(postman.run())
    try:
        for number in range(40):
            post(numbered(incident, number))
            postman.wake()
        await until(lambda: states(store) == [NoticeState.SENT] * 40)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert sorted(box.taken) == list(range(1, 41))
    assert len(postman._through) == 8


async def test_an_orderly_stop_waits_for_the_servers_word(store, post, incident) -> None:
    """A mail that the server has taken, its word still on the way, is marked as sent, and not begun a second time."""
    post(incident)
    taken, word = asyncio.Event(), asyncio.Event()
    sends: list[int] = []

    class Slow:
        async def send(self, notice: Notice) -> Outcome:
            sends.append(notice.number)
            taken.set()
            await word.wait()
            return Sent()

    async with at_work(store, Slow()) as postman:
        await taken.wait()
        drained = asyncio.create_task(postman.drain())
        post(replace(incident, id="another"))
        postman.wake()
        await asyncio.sleep(0.05)
        assert not drained.done()
        word.set()
        async with asyncio.timeout(5):
            await drained
    first, second = store.read.notices()
    assert (first.state, second.state) == (NoticeState.SENT, NoticeState.WAITING)
    assert sends == [first.number]


async def test_an_idle_postman_is_drained_at_once(store) -> None:
    """Nothing under way: a stop waits for nobody."""
    async with at_work(store, Letterbox()) as postman, asyncio.timeout(1):
        await postman.drain()


async def test_who_comes_next_is_told_at_once_where_the_first_is_refused_for_good(store, post, site, incident) -> None:
    """The server knows no such address: whoever is told after half an hour without an answer is told now."""
    with store.transaction() as work:
        work.put_incident(incident, at_ms=T0_MS, by=WATCH)
        people = [Recipient("gone@example.org"), Recipient("next@example.org", after_s=1800.0)]
        enqueue(work, [incident], site, people, now_ms=T0_MS + 1_800_000)
        assert work.telling.escalations(T0_MS + 1_800_000) == []
    async with at_work(store, Letterbox({"all": [Refused("550 no such user")]})):
        async with asyncio.timeout(5):
            while not store.read.notices(state=NoticeState.REFUSED):
                await asyncio.sleep(0.01)
    with store.transaction() as work:
        assert [one.recipient for one in work.telling.escalations(T0_MS + 1_800_000)] == ["next@example.org"]
