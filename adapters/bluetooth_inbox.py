"""What a Bluetooth adapter's listener puts down for the adapter to take: of a bounded length, and with an ear for a
radio that went deaf.

A radio that went deaf raises nothing: liveness is the age of the last sign of any device. So waiting for the next item
ends with an error when no sign came for too long; a new scanner hears again where an old one does not.
"""

from __future__ import annotations

import asyncio
from typing import Final, Generic, TypeVar

from adapters.contract import AdapterError, AdapterHealth, TransientError, Why, rejection

QUEUE_LENGTH: Final = 2_000

Item = TypeVar("Item")


class RadioInbox(Generic[Item]):
    """One run's items, oldest first; made within the loop that uses it."""

    def __init__(self, where: str, health: AdapterHealth, deaf_after_s: float) -> None:
        """where, health: of the adapter.  deaf_after_s: after so long without a sign the radio counts as deaf."""
        self._where = where
        self._health = health
        self._deaf_after_s = deaf_after_s
        self._items: asyncio.Queue[Item | AdapterError] = asyncio.Queue(QUEUE_LENGTH)
        self.sign_s = asyncio.get_running_loop().time()

    def sign(self) -> float:
        """Note a sign of life of any device; gives the loop's time."""
        self.sign_s = asyncio.get_running_loop().time()
        return self.sign_s

    def put(self, item: Item | AdapterError) -> None:
        """Add an item, or the error that ends the run; the oldest goes, and is counted, where too many wait."""
        if self._items.full():
            self._items.get_nowait()
            self._health.reject(rejection(Why.OVERRUN, self._where))
        self._items.put_nowait(item)

    async def next(self) -> Item:
        """Wait for the next item. Raises the error that was put, and TransientError when the radio is deaf."""
        loop = asyncio.get_running_loop()
        while True:
            try:
                async with asyncio.timeout_at(self.sign_s + self._deaf_after_s):
                    item = await self._items.get()
            except TimeoutError:
                if loop.time() - self.sign_s >= self._deaf_after_s:
                    raise TransientError(
                        f"not one sign of any device for {self._deaf_after_s:g} s",
                        where=self._where,
                        mend="The radio is started anew; if that does not help, plug it out and in again",
                    ) from None
            else:
                if isinstance(item, AdapterError):
                    raise item
                return item
