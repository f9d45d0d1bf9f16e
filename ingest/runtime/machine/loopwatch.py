"""How long the event loop was held up: everything waits while it is."""

from __future__ import annotations

import asyncio
import time
from typing import Final

import structlog

LOOK_EVERY_S: Final = 0.25
LOGGED_S: Final = 1.0
"""A stall that lasts longer than this is logged; shorter ones are only counted."""

_log = structlog.get_logger("lumberroom.loop")


class LoopWatch:
    """Sleeps for a short while again and again, and looks how much longer it took (real seconds)."""

    def __init__(self) -> None:
        self.longest_s = 0.0
        self.last_s = 0.0

    async def run(self) -> None:
        """Watch until cancelled."""
        while True:
            began_s = time.monotonic()
            await asyncio.sleep(LOOK_EVERY_S)
            self.last_s = max(0.0, time.monotonic() - began_s - LOOK_EVERY_S)
            self.longest_s = max(self.longest_s, self.last_s)
            if self.last_s > LOGGED_S:
                _log.warning("everything stood still", seconds=round(self.last_s, 3))

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health."""
        return {"longest_stall_s": round(self.longest_s, 4), "last_stall_s": round(self.last_s, 4)}
