"""The small parts: clock watch, rounds, tasks kept going, news, the log, the page address, the calendar."""

from __future__ import annotations

import asyncio
import http.server
import io
import json
import logging
import socket
import sys
import threading
from collections.abc import Iterator
from datetime import UTC, datetime

import httpx2
import pytest
import structlog

from dashboards.services import News
from ingest.clock import DrivenClock
from ingest.errors import SettingsError, TransientError
from ingest.runtime.machine import logs
from ingest.runtime.machine.logs import Blotter, Repeats
from ingest.runtime.machine.wallwatch import WallWatch
from ingest.runtime.newsboard import KEPT, NewsBoard
from ingest.runtime.pace import Pace
from ingest.runtime.page_address import address, bind
from ingest.runtime.periodic import Calendar
from ingest.runtime.tasks import end, every, finish, keep
from ingest.settings.wiring import PageWiring


@pytest.mark.parametrize(("step_ms", "seconds"), [(3_600_000, 3600.0), (-7_200_000, -7200.0), (2_500, 2.5)])
async def test_a_step_of_the_wall_clock_is_seen(step_ms: int, seconds: float) -> None:
    """A wall clock that steps either way is counted, measured, and whoever waits for a time of day is told."""
    clock, told = DrivenClock(), []
    watch = WallWatch(clock, lambda: told.append("stepped"))
    await clock.advance(10)
    await watch.look()
    assert watch.steps == 0
    clock.step_wall(step_ms)
    await clock.advance(10)
    await watch.look()
    await watch.look()
    assert (watch.steps, told) == (1, ["stepped"])
    assert watch.as_figures()["last_step_s"] == seconds


async def test_a_slow_drift_is_no_step() -> None:
    """A clock that a time server slews by half a second per look is left in peace."""
    clock = DrivenClock()
    watch = WallWatch(clock, lambda: None)
    for _ in range(20):
        clock.step_wall(500)
        await clock.advance(10)
        await watch.look()
    assert watch.steps == 0


async def test_rounds_go_by_the_monotonic_clock() -> None:
    """Rounds every 30 s go on while the wall clock steps back by an hour, and missed ones are left out."""
    clock, at_s = DrivenClock(), []

    async def work() -> None:
        at_s.append(clock.monotonic_s())
        if len(at_s) == 2:
            await clock.sleep(70)

    task = asyncio.create_task(every(30.0, clock, work))
    await clock.advance(31)
    clock.step_wall(-3_600_000)
    await clock.advance(150)
    assert at_s == [0.0, 30.0, 120.0, 150.0, 180.0]
    assert await end([task], 1.0) == 0


async def test_a_part_that_fails_is_started_again() -> None:
    """A bug in one of the daemon's own parts costs seconds, not the part."""
    clock, runs = DrivenClock(), []

    async def work() -> None:
        runs.append(clock.monotonic_s())
        if len(runs) < 3:
            raise ValueError("a bug")

    task = asyncio.create_task(keep("rounds", work, clock))
    await clock.advance(10)
    assert len(runs) == 3
    assert task.done()


async def test_finishing_has_a_limit_and_survives_cancellation() -> None:
    """Clean-up is let finish although its task is cancelled, but not for ever."""
    done = []

    async def clean_up() -> None:
        await asyncio.sleep(0.1)
        done.append(True)

    async def closing() -> None:
        await finish(clean_up(), 5.0, lambda error: None)

    task = asyncio.create_task(closing())
    await asyncio.sleep(0.01)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert done == [True]
    assert not await finish(asyncio.sleep(60), 0.05, lambda error: None)


async def test_a_slow_follower_misses_old_news_never_new_ones() -> None:
    """Whoever falls behind gets the newest, and publishing never waits."""
    board = NewsBoard()
    follower = board.follow()
    first = asyncio.ensure_future(anext(follower))
    await asyncio.sleep(0)
    for at_ms in range(KEPT + 50):
        board.publish(News(at_ms))
    board.close()
    heard = [await first] + [news async for news in follower]
    assert heard[-1] == News(KEPT + 49)
    assert len(heard) == KEPT
    assert heard == sorted(heard, key=lambda news: news.at_ms)


def test_the_same_sentence_is_logged_once_an_hour() -> None:
    """A fault that repeats every second fills no disk, and its count is told; what is remembered is bounded."""
    repeats = Repeats(every_s=3600.0, subjects=3)
    said = [repeats.due("the device is gone", float(second)) for second in range(7201)]
    assert [count for count in said if count is not None] == [0, 3599, 3599]
    for number in range(10):
        repeats.due(f"subject {number}", 8000.0)
    assert len(repeats._said) == 3


def test_many_subjects_at_once_do_not_flood_the_log() -> None:
    """A thousand subjects that come again every second: as many lines an hour as may be, and the hour after as many."""
    repeats = Repeats(every_s=3600.0, subjects=200)
    lines = [
        second
        for second in range(0, 7200, 10)
        for number in range(1000)
        if repeats.due(f"sensor {number}", float(second)) is not None
    ]
    assert len(lines) == 400
    assert sum(second < 3600 for second in lines) == 200


def test_a_new_subject_is_said_at_once_when_the_old_ones_are_long_past() -> None:
    """What crowded the log an hour ago keeps nobody quiet."""
    repeats = Repeats(every_s=3600.0, subjects=2)
    assert [repeats.due(subject, 0.0) for subject in "abc"] == [0, 0, None]
    assert repeats.due("c", 3600.0) == 0


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    """A configured JSON log that goes into a string."""
    written, real = io.StringIO(), sys.stderr
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    sys.stderr = written
    try:
        logs.configure("json", secrets=["hunter2"])
        yield written
    finally:
        sys.stderr = real
        root.handlers[:] = handlers
        root.setLevel(level)
        structlog.reset_defaults()


def test_a_web_address_that_is_asked_every_minute_does_not_fill_the_log(log: io.StringIO) -> None:
    """The HTTP library tells of every request; what matters of it is in the adapter's status."""
    with http.server.HTTPServer(("127.0.0.1", 0), http.server.BaseHTTPRequestHandler) as server:
        thread = threading.Thread(target=server.handle_request)
        thread.start()
        assert httpx2.get(f"http://127.0.0.1:{server.server_port}/", trust_env=False).status_code == 501
        thread.join()
    assert "HTTP Request" not in log.getvalue()


def test_the_pace_of_readings_is_that_of_the_last_hour() -> None:
    """Two a minute: known after a minute, 120 an hour after two hours, and half of that half an hour after the last."""
    pace = Pace(1000.0)
    assert pace.per_hour(1059.0) is None
    for second in range(0, 7200, 30):
        pace.count(1, 1000.0 + second)
    assert pace.per_hour(8200.0) == pytest.approx(120, rel=0.02)
    assert pace.per_hour(10_000.0) == pytest.approx(60, rel=0.05)
    assert pace.per_hour(12_000.0) == 0


def test_the_log_is_one_json_object_per_line_without_secrets(log: io.StringIO) -> None:
    """Ours and other libraries' events come out alike; a secret is blotted out by value and by key."""
    structlog.get_logger("x").warning("login as me:hunter2 failed", password="other", trace="a\nb")
    logging.getLogger("somebody").error("bad %s", "hunter2")
    events = [json.loads(line) for line in log.getvalue().splitlines()]
    assert [event["event"] for event in events] == ["login as me:[secret] failed", "bad [secret]"]
    assert events[0]["password"] == "[secret]"
    assert events[0]["trace"] == "a\nb"
    assert [event["level"] for event in events] == ["warning", "error"]
    assert "hunter2" not in log.getvalue()


def test_what_strangers_send_to_the_web_server_is_not_logged(log: io.StringIO) -> None:
    """uvicorn warns of every request that is none; its errors are still said."""
    web = logging.getLogger("uvicorn.error")
    web.warning("Invalid HTTP request received.")
    assert log.getvalue() == ""
    web.error("Exception in ASGI application")
    assert json.loads(log.getvalue())["event"] == "Exception in ASGI application"


def test_a_trace_is_blotted_as_well() -> None:
    """Blotting comes after traces were made into text."""
    blotted = Blotter(["s3cret"])(None, "error", {"event": "x", "exception": "ValueError: s3cret"})
    assert blotted["exception"] == "ValueError: [secret]"


def test_a_busy_port_is_a_sentence() -> None:
    """A second daemon, or any program on the port, brings a sentence with a mend."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(TransientError) as caught:
            bind(PageWiring(port=port))
    assert str(caught.value) == (
        f"127.0.0.1: another program already listens on port {port}. Stop that one, or choose another port, such as "
        f"{port + 1}."
    )


def test_the_page_is_bound_and_its_address_known() -> None:
    """Port 0 lets the system choose, and the address says which it chose."""
    with bind(PageWiring(port=0)) as listener:
        port = listener.getsockname()[1]
        assert address(listener) == f"http://127.0.0.1:{port}/"


def test_an_address_that_is_not_ours_is_a_sentence() -> None:
    """An address of no interface here is told as such."""
    with pytest.raises(SettingsError, match=r"the page cannot listen on port \d+ \(Cannot assign requested address\)"):
        bind(PageWiring(listen="192.0.2.1", port=0))


async def test_nightly_work_is_at_the_sites_own_time_and_bounded() -> None:
    """Nightly work is due at 04:40 site time; what takes too long is cut off and said so; the next still comes."""
    calendar = Calendar("America/Denver")

    async def hangs() -> None:
        await asyncio.Event().wait()

    calendar.nightly("hangs", hangs, limit_s=0.05)
    calendar.start()
    try:
        figures = calendar.as_figures()["hangs"]
        assert isinstance(figures, dict)
        assert "T04:40:00-0" in figures["next"]
        job = calendar._scheduler.get_job("hangs")
        job.modify(next_run_time=datetime.now(UTC))
        await asyncio.sleep(0.3)
        after = calendar.as_figures()["hangs"]
        assert isinstance(after, dict)
        assert after["last"] == "cut off: it took too long"
        assert "T04:40:00-0" in after["next"]
    finally:
        calendar.stop()
