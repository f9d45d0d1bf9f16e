"""News for whoever follows: the newest always arrives, a slow follower misses old ones and holds nobody up."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator
from typing import Final

from dashboards.services import News

KEPT: Final = 100
"""How many news a follower may fall behind before it misses the oldest."""


class NewsBoard:
    """Where news is put up. Used from the event loop only."""

    def __init__(self) -> None:
        self._followers: set[_Follower] = set()
        self._closed = False

    def publish(self, news: News) -> None:
        """Put news up for everyone who follows at this moment."""
        for follower in self._followers:
            follower.waiting.append(news)
            follower.wake.set()

    def close(self) -> None:
        """End every follower's stream, after what it still has to hear."""
        self._closed = True
        for follower in self._followers:
            follower.wake.set()

    async def follow(self) -> AsyncIterator[News]:
        """Give news from now on, until the board is closed or the follower stops."""
        follower = _Follower()
        self._followers.add(follower)
        try:
            while True:
                while follower.waiting:
                    yield follower.waiting.popleft()
                if self._closed:
                    return
                follower.wake.clear()
                await follower.wake.wait()
        finally:
            self._followers.discard(follower)


class _Follower:
    def __init__(self) -> None:
        self.waiting: deque[News] = deque(maxlen=KEPT)
        self.wake = asyncio.Event()
