"""Senders that belong to no room: who they are, when each was last heard, by whom, and what it said last.

Nothing of them is stored. What is remembered is bounded: radios that change their names all the time grow nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from adapters.contract import Reading

MOST: Final = 500
"""How many are remembered; the one heard longest ago is forgotten first."""


@dataclass(slots=True)
class Stranger:
    """One of them.  source: who handed its readings in.  figures: its newest values by quantity."""

    heard_ms: int
    source: str
    figures: dict[str, float] = field(default_factory=dict)


class Strangers:
    """Those heard lately, most recent last."""

    def __init__(self) -> None:
        self._heard: dict[str, Stranger] = {}

    def __len__(self) -> int:
        return len(self._heard)

    def hear(self, reading: Reading, source: str, now_ms: int) -> bool:
        """Remember what one said; say whether it is new here."""
        stranger = self._heard.pop(reading.sensor, None)
        is_new = stranger is None
        stranger = stranger or Stranger(now_ms, source)
        stranger.heard_ms, stranger.source = now_ms, source
        stranger.figures[reading.quantity] = reading.value
        self._heard[reading.sensor] = stranger
        if len(self._heard) > MOST:
            del self._heard[next(iter(self._heard))]
        return is_new

    def all(self) -> Mapping[str, Stranger]:
        """Give them by their names; from any thread."""
        return dict(self._heard)

    def forget(self, sensor: str) -> None:
        """Forget one that belongs to a room now."""
        self._heard.pop(sensor, None)
