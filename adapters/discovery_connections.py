"""Looking at Bluetooth sensors that say nothing before they are connected to: a few at a time, for their figures.

Without figures nobody could tell which of several alike sensors is which. Each is connected to by the adapter that
would read it (`bluetooth_sensing`), and let go for the next one after a while when others wait.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator
from typing import Any, Final

from adapters.bluetooth_sensing import BluetoothSensing
from adapters.contract import AdapterError, WallClock
from adapters.discovery import AGAIN_S, Found
from adapters.registry import check_settings

AT_ONCE: Final = 3
"""A radio can hold few connections, and adapters need theirs."""
STAY_S: Final = 25.0
"""A sensor is let go after so long when others wait; one that does not answer for so long is left for later."""
ASKED_EVERY_S: Final = 2.0
_PROBE: Final = "probe"


class Connections:
    """Those to be connected to, in turn, on one radio."""

    def __init__(self, clock: WallClock, radio: str) -> None:
        self._clock = clock
        self._radio = radio
        self._known: set[tuple[str, str]] = set()
        self._waiting: asyncio.Queue[Found] = asyncio.Queue()

    def heard(self, found: Found) -> None:
        """Have a sensor that was heard connected to, if it is not being already."""
        if found.key not in self._known:
            self._known.add(found.key)
            self._waiting.put_nowait(found)

    @contextlib.asynccontextmanager
    async def asking(self) -> AsyncIterator[None]:
        """Connect and ask for as long as the block lasts."""
        tasks = [asyncio.create_task(self._in_turn()) for _ in range(AT_ONCE)]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)

    async def _in_turn(self) -> None:
        while True:
            found = await self._waiting.get()
            await self._ask(found)
            self._waiting.put_nowait(found)

    async def _ask(self, found: Found) -> None:
        """Ask one again and again, until another one waits or nothing comes."""
        given: dict[str, Any] = {"sensors": {found.address: _PROBE}, "radio": self._radio, "interval_s": ASKED_EVERY_S}
        adapter = BluetoothSensing(check_settings(BluetoothSensing, given), self._clock)
        loop = asyncio.get_running_loop()
        try:
            async with contextlib.aclosing(adapter.readings()) as batches:  # type: ignore[type-var]
                async with asyncio.timeout(STAY_S) as limit:
                    async for batch in batches:
                        found.take([one for one in batch if one.sensor == _PROBE], self._clock.now_ms())
                        if self._waiting.empty():
                            limit.reschedule(loop.time() + STAY_S)
        except TimeoutError:
            return
        except AdapterError:
            await asyncio.sleep(AGAIN_S)  # the radio; whoever scans says what is the matter
