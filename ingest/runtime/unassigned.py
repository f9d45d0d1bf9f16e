"""Unassigned sensors: who they are, when each was last reading, by whom, and what it said last.

Nothing of them is stored. What is remembered is bounded: radios that change their names all the time grow nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from adapters.contract import Reading

RECENT_MS: Final = 60_000
BREATH: Final[Mapping[str, float]] = {"rh_percent": 3.0, "temperature_c": 1.0, "wood_mc_percent": 1.0}
"""As `adapters.discovery` has it; an adapter's sensors often speak once a minute only."""
MOST: Final = 500
"""How many are remembered; the one heard longest ago is forgotten first."""


@dataclass(slots=True)
class UnassignedSensor:
    """One of them.  source: who handed its readings in.  figures: its newest values by quantity."""

    heard_ms: int
    source: str
    figures: dict[str, float] = field(default_factory=dict)
    _since: dict[str, tuple[int, float]] = field(default_factory=dict)  # the lowest lately, by quantity, and when

    def put(self, quantity: str, value: float, now_ms: int) -> None:
        """Keep a figure, and from where it has risen."""
        self.figures[quantity] = value
        at_ms, lowest = self._since.get(quantity, (now_ms, value))
        if value <= lowest or now_ms - at_ms > RECENT_MS:
            at_ms, lowest = now_ms, value
        self._since[quantity] = (at_ms, lowest)

    def moved(self) -> dict[str, float]:
        """Give by how much each figure has risen lately."""
        return {quantity: self.figures[quantity] - lowest for quantity, (_, lowest) in self._since.items()}

    def is_moving(self, now_ms: int) -> bool:
        """Say whether a figure has just risen as it does when somebody breathes on the sensor or warms it."""
        moved = self.moved()
        fresh = {quantity for quantity, (at_ms, _) in self._since.items() if now_ms - at_ms <= RECENT_MS}
        return any(moved.get(quantity, 0.0) >= by for quantity, by in BREATH.items() if quantity in fresh)


class Unassigned:
    """Those heard lately, most recent last."""

    def __init__(self) -> None:
        self._heard: dict[str, UnassignedSensor] = {}

    def __len__(self) -> int:
        return len(self._heard)

    def hear(self, reading: Reading, source: str, now_ms: int) -> bool:
        """Remember what one said; say whether it is new here."""
        heard = self._heard.pop(reading.sensor, None)
        is_new = heard is None
        heard = heard or UnassignedSensor(now_ms, source)
        heard.heard_ms, heard.source = now_ms, source
        heard.put(reading.quantity, reading.value, now_ms)
        self._heard[reading.sensor] = heard
        if len(self._heard) > MOST:
            del self._heard[next(iter(self._heard))]
        return is_new

    def all(self) -> Mapping[str, UnassignedSensor]:
        """Give them by their names; from any thread."""
        return dict(self._heard)

    def forget(self, sensor: str) -> None:
        """Forget one that belongs to a room now."""
        self._heard.pop(sensor, None)
