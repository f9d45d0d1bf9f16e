"""Notices when the wall clock steps: a time server's correction, a flat clock battery, a computer that slept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import structlog

from ingest.clock import Clock

STEP_S: Final = 2.0
"""A difference between wall and monotonic clock of more than this between two looks is a step."""

LOOK_EVERY_S: Final = 10.0

_log = structlog.get_logger("lumberroom.clock")


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the wall clock.  seconds: positive = forward.  seen_ms: when it was seen, by the clock after it."""

    seconds: float
    seen_ms: int


class WallWatch:
    """Compares the wall clock with the monotonic one, look by look."""

    def __init__(self, clock: Clock, stepped: Callable[[], None]) -> None:
        """stepped: told of each step, so that what waits for a time of day can wait anew."""
        self._clock = clock
        self._stepped = stepped
        self._wall_ms = clock.now_ms()
        self._monotonic_s = clock.monotonic_s()
        self.steps = 0
        self.last: Step | None = None

    async def look(self) -> None:
        """Compare once."""
        wall_ms, monotonic_s = self._clock.now_ms(), self._clock.monotonic_s()
        step_s = (wall_ms - self._wall_ms) / 1000 - (monotonic_s - self._monotonic_s)
        self._wall_ms, self._monotonic_s = wall_ms, monotonic_s
        if abs(step_s) <= STEP_S:
            return
        self.steps += 1
        self.last = Step(round(step_s, 3), wall_ms)
        direction = "forward" if step_s > 0 else "back"
        _log.warning(
            f"the wall clock went {direction}: a time server's correction, a set clock, or this computer slept",
            seconds=self.last.seconds,
        )
        self._stepped()

    def as_figures(self) -> dict[str, object]:
        """Give JSON-able figures for the health."""
        last = self.last
        return {
            "steps": self.steps,
            "last_step_s": last.seconds if last else None,
            "last_step_seen_ms": last.seen_ms if last else None,
        }
