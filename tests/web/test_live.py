"""The stream of news: what it carries, that it proves itself alive, and how it ends."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator

import httpx2
import pytest

from dashboards.api import live
from dashboards.services import News


def parsed(lines: Iterator[str]) -> Iterator[tuple[str, dict]]:
    """Read server-sent events as a browser does: field lines up to an empty one; comments are skipped."""
    fields: dict[str, str] = {}
    for line in lines:
        if line == "" and "data" in fields:
            yield fields["event"], json.loads(fields["data"])
            fields = {}
        elif line and not line.startswith(":"):
            name, _, value = line.partition(": ")
            fields[name] = value


def test_news_arrives_over_http_when_readings_are_stored(served, bench):
    """A follower hears at once that it is connected, then of the room whose readings were stored."""
    with (
        httpx2.Client(base_url=served.address, timeout=20) as client,
        client.stream("GET", "/live") as answer,
    ):
        assert answer.headers["content-type"].startswith("text/event-stream")
        heard = parsed(answer.iter_lines())
        assert next(heard) == (
            "tick",
            {"now_ms": bench.now_ms, "now": "Thu 8 Jan 2026, 13:20 CET", "time": "13:20"},
        )
        served.submit(bench.air("hall-air", bench.now_ms + 60_000, 19.0, 44.0))
        event, told = next(heard)
        assert event == "news"
        assert told["rooms"] == ["hall"]
        assert told["incidents"] == []


def test_an_incident_is_named_in_the_news(served, bench):
    """When an incident opens, the news names it and its room."""
    with httpx2.Client(base_url=served.address, timeout=20) as client, client.stream("GET", "/live") as answer:
        heard = parsed(answer.iter_lines())
        next(heard)
        for minutes in range(1, 15):
            served.services.clock.step_wall(60_000)
            served.submit(bench.air("hall-air", bench.now_ms + minutes * 60_000, 19.0, 60.0))
        opened: list[dict] = []
        while not opened:
            event, told = next(heard)
            opened = told.get("incidents", [])
        assert event == "news"
        assert [(one["room"], one["open"]) for one in opened] == [("hall", True)]


def test_the_stream_ends_when_the_daemon_stops(served):
    """Closing the news board ends every stream, so that a stopping server need not wait for open pages."""
    with httpx2.Client(base_url=served.address, timeout=20) as client, client.stream("GET", "/live") as answer:
        heard = parsed(answer.iter_lines())
        next(heard)
        served.loop.call_soon_threadsafe(served.services.board.close)
        assert list(heard) == []


def test_too_many_open_streams_are_refused_before_they_begin(served):
    """One stream more than there is room for gets a sentence; when one closes, there is room again."""
    with httpx2.Client(base_url=served.address, timeout=20, limits=httpx2.Limits(max_connections=100)) as client:
        streams = [client.send(client.build_request("GET", "/live"), stream=True) for _ in range(live.MOST_FOLLOWERS)]
        assert {stream.status_code for stream in streams} == {200}
        refused = client.get("/live")
        assert refused.status_code == 503
        assert refused.json()["mend"] == "Close some of them."
        streams.pop().close()
        statuses = []
        for _ in range(50):
            with client.stream("GET", "/live") as again:
                statuses.append(again.status_code)
            if statuses[-1] == 200:
                break
        assert statuses[-1] == 200
        for stream in streams:
            stream.close()


async def test_it_ticks_while_nothing_happens(services):
    """Without news there are ticks, by which a page knows that the line is alive."""
    stream = live.events(services, tick_s=0.02)
    heard = [(await anext(stream)).event for _ in range(4)]
    await stream.aclose()
    assert heard == ["tick"] * 4


async def test_a_burst_is_one_event(services, bench):
    """A hundred news in a moment are one refresh of the page, naming each room once."""
    stream = live.events(services, tick_s=5)
    await anext(stream)
    waiting = asyncio.create_task(anext(stream))
    await asyncio.sleep(0.05)
    for _ in range(50):
        services.board.publish(News(bench.now_ms, ("hall",)))
        services.board.publish(News(bench.now_ms, ("loft",), (bench.incident(1, is_open=True),)))
    event = await waiting
    assert event.event == "news"
    assert event.data["rooms"] == ["hall", "loft"]
    assert event.data["incidents"] == [{"id": "i1", "room": "hall", "open": True}]
    await stream.aclose()


async def test_leaving_the_stream_leaves_nothing_running(services):
    """A follower that goes takes its task with it."""
    before = asyncio.all_tasks()
    stream = live.events(services, tick_s=5)
    await anext(stream)
    waiting = asyncio.create_task(anext(stream))
    await asyncio.sleep(0.05)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    await stream.aclose()
    assert asyncio.all_tasks() == before
