"""Live news as server-sent events: what changed, and a tick that proves the line alive.

The stream carries no figures. A page that hears news fetches itself again and swaps the parts that changed, so the
figures are rendered in one place only, and a page without the stream shows the same.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from typing import Any, Final

from fastapi import APIRouter, Depends
from fastapi.sse import EventSourceResponse, ServerSentEvent

from dashboards.api.openapi import PROBLEMS
from dashboards.services import News, Services
from dashboards.shell.problems import AnswerError
from ingest.present import words

TICK_S: Final = 5.0
"""Real seconds between ticks; the page calls the line lost when three of them stay away."""

GATHER_S: Final = 0.25
"""Real seconds for which news is gathered into one event, so that a burst of readings is one refresh."""

MOST_FOLLOWERS: Final = 64
"""More open streams than this are refused: each holds a connection, and a site has a handful of screens."""


def router(services: Services) -> APIRouter:
    """Give the route of the stream."""
    made = APIRouter(responses=PROBLEMS)
    followers = 0

    # A dependency, so that a refusal comes before the stream has begun.
    async def place() -> AsyncIterator[None]:
        nonlocal followers
        if followers >= MOST_FOLLOWERS:
            raise AnswerError(503, "Too many pages are open already.", mend="Close some of them.")
        followers += 1
        try:
            yield
        finally:
            followers -= 1

    @made.get(
        "/live",
        response_class=EventSourceResponse,
        tags=["live"],
        summary="Follow what changes",
        dependencies=[Depends(place)],
    )
    async def live() -> AsyncIterator[ServerSentEvent]:
        async for event in events(services):
            yield event

    return made


async def events(services: Services, *, tick_s: float = TICK_S) -> AsyncIterator[ServerSentEvent]:
    """Give a `tick` at once and every `tick_s` real seconds, and `news` whenever something changed.

    Each carries the site's own time, since the browser's clock may be wrong and a demonstration's runs fast.
    """
    yield ServerSentEvent(event="tick", data=await _now(services), retry=3000)
    async with _Gathered(services) as gathered:
        while True:
            news = await gathered.wait(tick_s)
            if news is not None:
                yield ServerSentEvent(event="news", data=await _now(services) | news)
            elif gathered.ended:
                return
            else:
                yield ServerSentEvent(event="tick", data=await _now(services))


async def _now(services: Services) -> dict[str, Any]:
    now_ms = services.clock.now_ms()
    zone = (await asyncio.to_thread(services.site)).time_zone
    return {"now_ms": now_ms, "now": words.instant(now_ms, zone), "time": words.time_of_day(now_ms, zone)}


class _Gathered:
    """Follows the services' news in a task of its own and hands it over in handfuls.

    The task is there because waiting for the next item with a time limit would cancel the follower and lose news.
    """

    def __init__(self, services: Services) -> None:
        self._services = services
        self._rooms: set[str] = set()
        self._incidents: dict[str, dict[str, Any]] = {}
        self._something = asyncio.Event()
        self.ended = False

    async def __aenter__(self) -> _Gathered:
        self._task = asyncio.create_task(self._follow())
        return self

    async def __aexit__(self, *_: object) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)

    async def wait(self, seconds: float) -> dict[str, Any] | None:
        """Give what has come within that many real seconds, or None when nothing has."""
        try:
            await asyncio.wait_for(self._something.wait(), seconds)
        except TimeoutError:
            return None
        if not self.ended:
            await asyncio.sleep(GATHER_S)
        return self._take()

    def _take(self) -> dict[str, Any] | None:
        taken = {"rooms": sorted(self._rooms), "incidents": list(self._incidents.values())}
        self._rooms, self._incidents = set(), {}
        self._something.clear()
        return taken if taken["rooms"] or taken["incidents"] else None

    async def _follow(self) -> None:
        try:
            async for news in self._services.news():
                self._add(news)
        finally:
            self.ended = True
            self._something.set()

    def _add(self, news: News) -> None:
        self._rooms.update(news.rooms)
        for incident in news.incidents:
            if incident.room:  # what concerns the station has none
                self._rooms.add(incident.room)
            self._incidents[incident.id] = {"id": incident.id, "room": incident.room, "open": incident.is_open}
        self._something.set()
