"""The heating fails in three rooms: told by real mail as one thing, and told again as it turns worse.

Everything is real but the clock and the air: store, watch, outbox, rounds, postman, a mail server. One room is left to
itself, one is acknowledged, of one somebody mutes alerts. The air keeps its water and cools, so that its RH rises
(psychrometrics of `ingest.physics.air`); how fast rooms cool is invented.
"""

from __future__ import annotations

import asyncio
import contextlib
import email
import math
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from email.message import EmailMessage
from email.policy import default
from pathlib import Path

import pytest
from aiosmtpd.smtp import SMTP, Envelope, Session

from adapters.contract import Reading, Stamp
from ingest.clock import DrivenClock
from ingest.notices.channels.mail import MailChannel, MailSettings
from ingest.notices.outbox import enqueue
from ingest.notices.postman import Postman
from ingest.notices.recipients import Recipient
from ingest.notices.rounds import look_round
from ingest.physics.air import humidity_ratio_g_kg, rh_from_humidity_ratio_percent
from ingest.site.actor import Actor, Where
from ingest.site.boards import Boards
from ingest.site.incidents import Incident, NoticeState, Severity
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.rules import Rules
from ingest.site.series import ReadingBatch
from ingest.store.api import UnitOfWork
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.handling import acknowledge, mute
from ingest.watch.rounds import Watch

T0_MS = 1_795_600_800_000  # Wed 25 Nov 2026, 10:00 UTC
MINUTE_MS = 60_000
PACK_MINUTES = 10
HOURS_TO_COOL = {"oak": 5.0, "ash": 6.0, "elm": 7.0}  # time constants; all towards 6 °C outside
FLOOR, CHIEF = "floor@example.org", "chief@example.org"
PEOPLE = (Recipient(FLOOR, name="Floor layer"), Recipient(CHIEF, name="Site manager", after_s=3600.0))
WINDOW = AcclimationWindow(Bounds(18.0, 24.0), Bounds(35.0, 55.0))
SITE = Site(
    "Mill Lane (invented)",
    "Europe/Berlin",
    rooms=tuple(
        Room(
            name, f"{name.title()} room", WINDOW, f"{name} boards, 20 mm",
            rules=Rules(**{**dict.fromkeys(Rules.__dataclass_fields__), "serious_margins": 5.0,
                           "serious_margin_hours": 24.0, "severe_margins": 15.0, "severe_margin_hours": 240.0}),
            boards=Boards("White oak, commercial", 20.0, 140.0),
        )
        for name in HOURS_TO_COOL
    ),
    sensors=tuple(Sensor(f"{name}-1", name) for name in HOURS_TO_COOL),
)  # fmt: skip

LAYER = Actor(Where.PAGE, "Floor layer")


@dataclass
class Post:
    """A mail server that takes everything."""

    taken: list[EmailMessage] = field(default_factory=list)

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        assert isinstance(envelope.content, bytes)
        message = email.message_from_bytes(envelope.content, policy=default)
        assert isinstance(message, EmailMessage)
        self.taken.append(message)
        return "250 OK"


class Winter:
    """A day in three rooms whose heating is off, told by mail as it goes."""

    def __init__(self, store: SqliteStore, port: int, post: Post) -> None:
        self.store, self.post, self.clock, self.watch = store, post, DrivenClock(T0_MS), Watch()
        settings = MailSettings(server="127.0.0.1", port=port, sender="watch@example.org", security="none")
        self.postman = Postman(store, self.clock, {"mail": MailChannel(settings)})

    async def go_on(self, hours: float) -> None:
        """Let the hours pass: readings every minute in packs of ten, judged and told in one unit of work each."""
        for _ in range(round(hours * 60 / PACK_MINUTES)):
            await self.clock.advance(PACK_MINUTES * 60 - 60)
            await asyncio.to_thread(self._in_one, self._hear)
            await self._delivered()
            await self.clock.advance(60)
            await asyncio.to_thread(self._in_one, lambda work, now_ms: look_round(work, SITE, PEOPLE, now_ms=now_ms))
            await self._delivered()

    def action(self, action: Callable[[UnitOfWork, int], object]) -> None:
        """Let somebody do something about an incident."""
        self._in_one(action)

    def of(self, room: str) -> Incident:
        """Give the one incident of a room."""
        [found] = self.store.read.incidents(room=room)
        return found

    def to(self, person: str, room: str = "") -> list[EmailMessage]:
        """Give the mails to a person, those whose subject names a room."""
        named = room.title()
        return [mail for mail in self.post.taken if mail["To"] == person and named in str(mail["Subject"])]

    def _in_one(self, action: Callable[[UnitOfWork, int], object]) -> None:
        with self.store.transaction() as work:
            action(work, self.clock.now_ms())

    def _hear(self, work: UnitOfWork, now_ms: int) -> None:
        readings = []
        for name, hours in HOURS_TO_COOL.items():
            for back in range(PACK_MINUTES):
                at_ms = now_ms - back * MINUTE_MS
                t, rh = air((at_ms - T0_MS) / 3_600_000, hours)
                readings += [
                    Reading(f"{name}-1", "temperature_c", t, at_ms, Stamp.SENSOR),
                    Reading(f"{name}-1", "rh_percent", rh, at_ms, Stamp.SENSOR),
                ]
        batch = ReadingBatch.of(readings)
        work.append(batch, heard_ms=now_ms, live=True)
        changed = self.watch.judge_readings(work, SITE, batch, now_ms=now_ms)
        enqueue(work, changed, SITE, PEOPLE, now_ms=now_ms)

    async def _delivered(self) -> None:
        """Wait until what is due has arrived."""
        self.postman.wake()
        async with asyncio.timeout(10):
            while self.store.read.notices(state=NoticeState.WAITING):
                await asyncio.sleep(0.002)


def air(hours: float, hours_to_cool: float) -> tuple[float, float]:
    """Give temperature (°C) and RH (%) after so many hours without heating."""
    t = 6.0 + 15.0 * math.exp(-hours / hours_to_cool)
    return t, min(95.0, float(rh_from_humidity_ratio_percent(t, humidity_ratio_g_kg(21.0, 45.0))))


@pytest.fixture
async def winter(tmp_path: Path) -> AsyncIterator[Winter]:
    """The day, its postman at work, beside a mail server on loopback."""
    post, loop = Post(), asyncio.get_running_loop()
    server = await loop.create_server(lambda: SMTP(post, hostname="localhost", loop=loop), "127.0.0.1", 0)
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        day = Winter(store, server.sockets[0].getsockname()[1], post)
        task = asyncio.create_task(day.postman.run())
        yield day
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
    server.close()


def text(mail: EmailMessage) -> str:
    """Give the text of a mail, its lines put together."""
    body = mail.get_body(("plain",))
    assert body is not None
    return " ".join(body.get_content().split())


async def test_it_is_told_as_one_thing_and_told_again_as_it_turns_worse(winter: Winter) -> None:
    """One thread for three rooms; worse ones say what they were and what the wood did; no mail twice under one id."""
    await winter.go_on(8.0)
    assert {winter.of(room).severity for room in HOURS_TO_COOL} == {Severity.SEVERE}
    [cause] = {winter.of(room).cause for room in HOURS_TO_COOL}
    assert cause.startswith("window-damper")
    mails = winter.to(FLOOR)
    first = mails[0]
    assert str(first["Subject"]).startswith("Oak room too damp: RH")
    assert first["References"] is None
    assert [mail["References"] for mail in mails[1:]] == [first["Message-ID"]] * (len(mails) - 1)
    ids = [mail["Message-ID"] for mail in winter.post.taken]
    assert len(set(ids)) == len(ids)
    joined = winter.to(FLOOR, "ash")[0]
    assert str(joined["Subject"]).startswith("Ash room too damp as well: RH")
    assert "It seems to have the cause of what you were told before." in text(joined)
    for room in HOURS_TO_COOL:
        worse, severe = winter.to(FLOOR, room)[1:]
        assert str(worse["Subject"]).startswith(f"Worse: {room.title()} room too damp")
        assert "This has turned worse: it was slight and is serious now." in text(worse)
        assert str(severe["Subject"]).startswith(f"Severe: {room.title()} room too damp")
        assert "This has turned worse: it was serious and is severe now." in text(severe)
        assert "By the board model the 20 mm white oak" in text(severe)
        assert "measure the wood" in text(severe)
    asked = [str(mail["Subject"]) for mail in winter.to(CHIEF)[:3]]
    assert [subject.split(":")[0] for subject in asked] == ["Nobody has answered"] * 3


async def test_what_is_in_hand_is_not_escalated_and_quiet_is_kept(winter: Winter) -> None:
    """Of the room that was acknowledged, and of the one with quiet, the chief hears nothing, and the asker no more
    until it is severe; the third room is escalated as ever."""
    await winter.go_on(2.5)
    assert len(winter.to(FLOOR)) >= 3
    assert winter.to(CHIEF) == []
    winter.action(lambda work, now_ms: acknowledge(work, winter.of("oak").id, by=LAYER, now_ms=now_ms))
    until_ms = winter.clock.now_ms() + 24 * 3_600_000
    winter.action(lambda work, now_ms: mute(work, winter.of("ash").id, until_ms=until_ms, by=LAYER, now_ms=now_ms))
    told_of_ash = len(winter.to(FLOOR, "ash"))
    await winter.go_on(2.0)
    assert winter.of("ash").severity is Severity.SERIOUS
    assert len(winter.to(FLOOR, "ash")) == told_of_ash
    await winter.go_on(3.5)
    assert [str(mail["Subject"]).split(":")[0] for mail in winter.to(FLOOR, "ash")[told_of_ash:]] == ["Severe"]
    assert winter.to(CHIEF, "oak") == winter.to(CHIEF, "ash") == []
    assert str(winter.to(CHIEF, "elm")[0]["Subject"]).startswith("Nobody has answered: Elm room too damp")
