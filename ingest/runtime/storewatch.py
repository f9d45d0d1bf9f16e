"""Looks whether the store can be written, and says so by mail when it cannot for a while: directly, from memory.

The outbox cannot tell of a full disk: a notice is committed before it is sent. So this mail is sent without being kept,
to each recipient once per trouble. A trouble is over when storing has gone well for a while; who was told of it is told
that as well. Nothing of this is remembered over a restart.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Protocol

import structlog

from ingest.clock import Clock
from ingest.notices.channels.channel import Later, Outcome, Sent
from ingest.notices.letters.compose_store import StoreNews
from ingest.runtime.backoff import BackOff
from ingest.runtime.intake import IntakeHealth
from ingest.site.places import Site

LOOK_EVERY_S: Final = 5.0
LASTS_S: Final = 60.0
"""For how long nothing can be stored before somebody is told: a moment's trouble is over before a mail is read."""

OVER_AFTER_S: Final = 600.0
"""For how long storing must go well before a trouble is over: a disk at its brink fails every other minute."""

SEND_LIMIT_S: Final = 60.0

_log = structlog.get_logger("lumberroom.store")


class Post(Protocol):
    """A way to people that needs no store."""

    @property
    def direct_recipients(self) -> tuple[str, ...]:
        """Who is told."""
        ...

    async def directly(self, news: StoreNews, recipient: str) -> Outcome:
        """Send one mail and say what became of it."""
        ...


@dataclass(slots=True)
class _Telling:
    """What is told of a trouble, and to whom it was: one mail to each, tried again until it is on its way."""

    news: StoreNews
    waiting: tuple[str, ...]
    told: list[str] = field(default_factory=list)
    due_s: float = 0.0
    back_off: BackOff = field(default_factory=lambda: BackOff(longest_s=600.0))


class StoreWatch:
    """Watches one store's health. For the event loop."""

    def __init__(self, site: Callable[[], Site], clock: Clock, post: Post) -> None:
        """Watch nothing yet but `intake`, which is a store's that is not open."""
        self.intake = IntakeHealth()
        self._also: Callable[[], str] = str
        self._site = site
        self._clock = clock
        self._post = post
        self._news: StoreNews | None = None  # the trouble that is going on
        self._since_s = 0.0
        self._well_s: float | None = None
        self._lost_before = 0
        self._telling: _Telling | None = None
        self._mails = 0

    def follow(self, intake: IntakeHealth, also: Callable[[], str]) -> None:
        """Watch a store that is open now.  also: another trouble of it (of its upkeep), a sentence or nothing."""
        self.intake, self._also, self._lost_before = intake, also, intake.given_up

    async def look(self) -> None:
        """Look once; tell what is due."""
        what = self.intake.store_error or self._also()
        now_s = self._clock.monotonic_s()
        if what:
            self._goes_badly(what, now_s)
        elif self._news is not None:
            self._goes_well(self._news, now_s)
        if self._telling is not None and self._telling.waiting and now_s >= self._telling.due_s:
            await self._tell(self._telling)

    def as_figures(self) -> Mapping[str, object]:
        """Give JSON-able figures for the health."""
        since_ms = self._news.since_ms if self._news else None
        return {"since_ms": since_ms, "told": list(self._telling.told) if self._telling else [], "mails": self._mails}

    def _goes_badly(self, what: str, now_s: float) -> None:
        now_ms, site, self._well_s = self._clock.now_ms(), self._site(), None
        if self._news is None:
            self._since_s, self._lost_before = now_s, self.intake.given_up
            self._news = StoreNews(site.name, site.time_zone, what, now_ms, None, 0, 0, now_ms)
            self._telling = None
        lost = self.intake.given_up - self._lost_before
        # It may have gone well for a moment since: then it was over, and is not any more.
        self._news = replace(self._news, what=what, until_ms=None, held=self.intake.held, lost=lost, now_ms=now_ms)
        if self._telling is not None:
            self._telling.news = self._news
        elif now_s - self._since_s >= LASTS_S:
            self._telling = _Telling(self._news, self._post.direct_recipients, due_s=now_s)

    def _goes_well(self, news: StoreNews, now_s: float) -> None:
        if self._well_s is None:
            self._well_s = now_s
            lost = self.intake.given_up - self._lost_before
            self._news = replace(news, until_ms=self._clock.now_ms(), held=self.intake.held, lost=lost)
        elif now_s - self._well_s >= OVER_AFTER_S:
            told = tuple(self._telling.told) if self._telling else ()
            self._telling = _Telling(replace(news, now_ms=self._clock.now_ms()), told, due_s=now_s)
            self._news = None

    async def _tell(self, telling: _Telling) -> None:
        left = []
        for recipient in telling.waiting:
            outcome = await self._sent(telling.news, recipient)
            if isinstance(outcome, Sent):
                self._mails += 1
                telling.told.append(recipient)
                _log.info("told about the store, directly", recipient=recipient)
            elif isinstance(outcome, Later):
                left.append(recipient)
                _log.warning("the mail about the store waits", recipient=recipient, reason=outcome.reason)
            else:
                _log.error("the mail about the store is refused", recipient=recipient, reason=outcome.reason)
        telling.waiting = tuple(left)
        telling.due_s = self._clock.monotonic_s() + telling.back_off.next_s()

    async def _sent(self, news: StoreNews, recipient: str) -> Outcome:
        try:
            async with asyncio.timeout(SEND_LIMIT_S):
                return await self._post.directly(news, recipient)
        except TimeoutError:
            return Later("The mail server gives no answer.", way_closed=True)
