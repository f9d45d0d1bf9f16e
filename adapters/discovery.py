"""What was found within reach of this computer: by which way, its name and figures, and how it is assigned.

It is found by listening only (`adapters.discovery_ways`); nothing is stored. What is found changes while one watches,
so that breathing on a sensor shows which one it is; each knows the lines of the settings file by which it is assigned.
The command and the page both stand on this.
"""

from __future__ import annotations

import asyncio
import json
from collections import deque
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from adapters.contract import AdapterError, Reading

MOST_FOUND: Final = 500
"""No more than so many are shown: strangers' radios change their addresses all the time."""
AGAIN_S: Final = 15.0
"""A way that failed is tried again after so long: somebody may plug the radio in meanwhile."""
RECENT_MS: Final = 30_000
BREATH: Final[Mapping[str, float]] = {"rh_percent": 3.0, "temperature_c": 1.0, "wood_mc_percent": 1.0, "number": 2.0}
"""By how much a figure must have risen within `RECENT_MS` to be told as moving: what a breath or a warm hand does, and
a steady room does not (common practice, no source)."""

NAME_IT: Final = "NAME IT"
UNNAMED: Final = "unnamed"
"""The sensor of a pack that names none, while it is looked at."""
WHICH_ONE: Final = "WHICH ONE"
"""What stands in settings in place of the sensor's name, and of the quantity, that a person must choose."""

Way = Callable[["Findings"], Awaitable[None]]
"""Looks in one way until it is cancelled; raises an AdapterError when it cannot."""


@dataclass(slots=True)
class Found:
    """Something within reach.

    way: "serial", "bluetooth", "mqtt".  kind, settings: of the adapter that reads it, with `NAME_IT` and `WHICH_ONE`
    where a person must choose.  figures: newest value by quantity ("number" where nobody knows of what; of a JSON
    document the pointer to it).  first: the
    first ones.  note: what one should know.  lacks: what must be had beside a name before it can be read, or empty.
    """

    way: str
    address: str
    sensor: str
    kind: str = ""
    settings: Mapping[str, Any] = field(default_factory=dict)
    note: str = ""
    lacks: str = ""
    figures: dict[str, float] = field(default_factory=dict)
    first: dict[str, float] = field(default_factory=dict)
    heard: int = 0
    heard_ms: int | None = None
    _trail: dict[str, deque[tuple[int, float]]] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, str]:
        """What it is known by."""
        return (self.way, f"{self.address} {self.sensor}")

    @property
    def wiring(self) -> str:
        """The lines of the settings file that assign it, with words in place of what a person must choose."""
        return entry_text(NAME_IT, self.kind, self.settings)

    def take(self, readings: Iterable[Reading], now_ms: int) -> None:
        """Keep the newest figures."""
        for reading in readings:
            self.put(reading.quantity, reading.value, now_ms)
        self.heard += 1
        self.heard_ms = now_ms

    def put(self, quantity: str, value: float, now_ms: int) -> None:
        """Keep one figure."""
        self.figures[quantity] = value
        self.first.setdefault(quantity, value)
        if quantity in BREATH or quantity.startswith("/"):
            self._trail.setdefault(quantity, deque(maxlen=60)).append((now_ms, value))

    def moved(self) -> dict[str, float]:
        """Give by how much each figure differs from the first one."""
        return {quantity: value - self.first[quantity] for quantity, value in self.figures.items()}

    def is_moving(self, now_ms: int) -> bool:
        """Say whether a figure has just risen as it does when somebody breathes on the sensor or warms it."""
        return any(
            self.figures[quantity] - min(recent) >= BREATH.get(quantity, BREATH["number"])
            for quantity, trail in self._trail.items()
            if (recent := [value for at_ms, value in trail if now_ms - at_ms <= RECENT_MS])
        )


@dataclass(slots=True)
class Findings:
    """All that was found, what could not be looked at (a sentence each, by where), and serial ports on which nothing
    could be read so far (a clause each, by path)."""

    found: dict[tuple[str, str], Found] = field(default_factory=dict)
    troubles: dict[str, str] = field(default_factory=dict)
    unread: dict[str, str] = field(default_factory=dict)

    def at(self, fresh: Found) -> Found | None:
        """Give the one of that address and name, taken in if it is new; None when there are too many."""
        if fresh.key not in self.found and len(self.found) >= MOST_FOUND:
            return None
        return self.found.setdefault(fresh.key, fresh)

    def cannot(self, error: AdapterError) -> None:
        """Note what could not be looked at, and why."""
        self.troubles[error.where] = str(error)


async def look(findings: Findings, ways: Sequence[Way], seconds: float | None) -> None:
    """Look in several ways at once; what fails in one becomes a trouble and is tried again, and the others go on.

    seconds: for how long; None = until cancelled.
    """
    tasks = [asyncio.create_task(_keep(findings, way)) for way in ways]
    try:
        # A task of these ends by a bug only, which must not be lost.
        ended, _ = (
            await asyncio.wait(tasks, timeout=seconds, return_when=asyncio.FIRST_EXCEPTION) if tasks else ((), ())
        )
        for task in ended:
            task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


async def _keep(findings: Findings, way: Way) -> None:
    while True:
        try:
            await way(findings)
        except AdapterError as error:
            findings.cannot(error)
        await asyncio.sleep(AGAIN_S)


def filled(value: Any, *, sensor: str, quantity: str) -> Any:
    """Give settings with the sensor's name and the quantity in the places of the words that stand for them."""
    if isinstance(value, Mapping):
        return {key: filled(one, sensor=sensor, quantity=quantity) for key, one in value.items()}
    if isinstance(value, list):
        return [filled(one, sensor=sensor, quantity=quantity) for one in value]
    return {NAME_IT: sensor, WHICH_ONE: quantity}.get(value, value) if isinstance(value, str) else value


def pointers_of(settings: Mapping[str, Any]) -> tuple[str, ...]:
    """Give the pointers to numbers in a document of which a person must say what they are; none of anything else."""
    documents = settings.get("documents") or {}
    return tuple(p for table in documents.values() for p, what in table["values"].items() if what == WHICH_ONE)


def told_of(settings: Mapping[str, Any], quantities: Mapping[str, str]) -> dict[str, Any]:
    """Give settings with what the numbers of a document are (by pointer); those of which nothing is said go."""
    documents = {
        topic: {**table, "values": {p: quantities[p] for p in table["values"] if quantities.get(p)}}
        for topic, table in settings["documents"].items()
    }
    return {**settings, "documents": documents}


def asks_for(value: Any, word: str) -> bool:
    """Say whether settings hold `NAME_IT` or `WHICH_ONE`."""
    if isinstance(value, Mapping):
        return any(asks_for(one, word) for one in value.values())
    return any(asks_for(one, word) for one in value) if isinstance(value, list) else value == word


def entry_text(name: str, kind: str, settings: Mapping[str, Any]) -> str:
    """Write the lines of the settings file for an adapter."""
    lines = [f"{key} = {as_toml(value)}" for key, value in settings.items()]
    return "\n".join(["[[adapter]]", f"name = {as_toml(name)}", f"type = {as_toml(kind)}", *lines])


def as_toml(value: object) -> str:
    """Write a value as TOML: texts, numbers and truths as in JSON, but DEL escaped; tables in one line."""
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{as_toml(key)} = {as_toml(one)}" for key, one in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(as_toml(one) for one in value) + "]"
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
