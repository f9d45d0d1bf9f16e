"""Faults of a simulated sensor, on demand: what sensors do in the field, so that one can see what is made of it.

Deterministic: the same seed, faults and readings give the same faulty readings. Values stay within what can be true,
as a real sensor's do: a fault that could be told by its range alone would be no test of the watch.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from adapters.contract import QUANTITIES, Reading, SettingsError, Stamp
from adapters.room_chance import uniform

MS_PER_HOUR: Final = 3_600_000
_STREAM: Final = 900


@dataclass(frozen=True, slots=True)
class Kind:
    """A fault.  by: what `by` means and what it is unless given; None = it has none.  share: likewise."""

    says: str
    by: float | None = None
    share: float | None = None


FAULTS: Final[Mapping[str, Kind]] = {
    "drop_out": Kind("readings are missing, all of them or a share", share=1.0),
    "stuck": Kind("the value stays as it was when it began"),
    "spikes": Kind("a share of the values is off by so much", by=15.0, share=0.05),
    "drift": Kind("the value wanders off, by so much a day", by=1.0),
    "clock_error": Kind("the instants are off by so many seconds", by=3600.0),
    "flat_battery": Kind("the battery goes from full to empty, and then nothing is heard any more"),
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault.  quantity: the only one that it concerns; None = every one."""

    name: str
    from_ms: int
    until_ms: int
    by: float
    share: float
    quantity: str | None

    def concerns(self, reading: Reading) -> bool:
        """Say whether a reading falls under it."""
        return self.from_ms <= reading.at_ms < self.until_ms and self.quantity in (None, reading.quantity)


class SensorFaults:
    """The faults of one adapter's sensors, applied to readings in the order in which they come."""

    def __init__(self, faults: Sequence[Fault], seed: int) -> None:
        self._faults = faults
        self._seed = seed
        self._stuck_at: dict[tuple[int, str, str], float] = {}
        self._battery_told: dict[str, int] = {}

    def apply(self, readings: Iterable[Reading]) -> list[Reading]:
        """Give the readings as faulty sensors would."""
        out: list[Reading] = []
        for sound in readings:
            out += self._batteries(sound)
            faulty = self._one(sound)
            if faulty is not None:
                out.append(faulty)
        return out

    def _one(self, sound: Reading) -> Reading | None:
        reading: Reading | None = sound
        for number, fault in enumerate(self._faults):
            if reading is not None and (fault.concerns(sound) or _is_flat(fault, sound)):
                reading = self._with(reading, fault, number, sound)
        return reading

    def _with(self, reading: Reading, fault: Fault, number: int, sound: Reading) -> Reading | None:
        struck = self._chance(number, sound) < fault.share
        if _is_flat(fault, sound) or (fault.name == "drop_out" and struck):
            return None
        if fault.name == "stuck":
            key = (number, reading.sensor, reading.quantity)
            return reading._replace(value=self._stuck_at.setdefault(key, reading.value))
        if fault.name == "spikes" and struck:
            return _moved(reading, fault.by if self._chance(number + 500, sound) < 0.5 else -fault.by)
        if fault.name == "drift":
            return _moved(reading, fault.by * (sound.at_ms - fault.from_ms) / (24 * MS_PER_HOUR))
        if fault.name == "clock_error":
            return reading._replace(at_ms=reading.at_ms + round(fault.by * 1000))
        return reading

    def _chance(self, number: int, sound: Reading) -> float:
        stream = _STREAM + 1000 * number + sum(sound.quantity.encode())
        return float(uniform(self._seed, stream, np.array([sound.at_ms], dtype=np.int64))[0])

    def _batteries(self, sound: Reading) -> list[Reading]:
        """Give the battery's reading that goes with a reading, once for each instant of a sensor."""
        out: list[Reading] = []
        for fault in self._faults:
            if fault.name == "flat_battery" and fault.concerns(sound):
                if self._battery_told.get(sound.sensor) != sound.at_ms:
                    left = 100.0 * (fault.until_ms - sound.at_ms) / (fault.until_ms - fault.from_ms)
                    out.append(Reading(sound.sensor, "battery_percent", float(round(left)), sound.at_ms, Stamp.SENSOR))
                self._battery_told[sound.sensor] = sound.at_ms
        return out


def _is_flat(fault: Fault, sound: Reading) -> bool:
    return fault.name == "flat_battery" and sound.at_ms >= fault.until_ms


def _moved(reading: Reading, by: float) -> Reading:
    quantity = QUANTITIES[reading.quantity]
    return reading._replace(value=min(max(reading.value + by, quantity.minimum), quantity.maximum))


_KEYS: Final = ("fault", "after_h", "for_h", "by", "share", "quantity")
_EXAMPLE: Final = 'Write it like { fault = "stuck", after_h = 30, for_h = 5 }'


def faults_of(entries: Iterable[Any], start_ms: int) -> tuple[Fault, ...]:
    """Make faults of the settings file's tables; hours count from `start_ms`.  Raises SettingsError."""
    return tuple(_fault(entry, f"faults, number {number}", start_ms) for number, entry in enumerate(entries, 1))


def _fault(entry: Any, where: str, start_ms: int) -> Fault:
    if not isinstance(entry, Mapping) or not {"fault", "after_h", "for_h"} <= set(entry) <= set(_KEYS):
        raise SettingsError("a fault needs fault, after_h and for_h", where=where, mend=_EXAMPLE)
    kind = FAULTS.get(entry["fault"]) if isinstance(entry["fault"], str) else None
    if kind is None:
        mend = f"Use one of: {', '.join(FAULTS)}"
        raise SettingsError(f"there is no fault {entry['fault']!r}", where=where, mend=mend)
    for key, default in (("by", kind.by), ("share", kind.share)):
        if key in entry and default is None:
            raise SettingsError(f"a fault {entry['fault']} has no {key}", where=where, mend="Leave it out")
    quantity = entry.get("quantity")
    if quantity is not None and quantity not in QUANTITIES:
        raise SettingsError(f"{quantity!r} is no quantity", where=where, mend=f"Use one of: {', '.join(QUANTITIES)}")
    after_h, for_h = _number(entry["after_h"], where, 0.0), _number(entry["for_h"], where, 1e-9)
    from_ms = start_ms + round(after_h * MS_PER_HOUR)
    return Fault(
        name=entry["fault"],
        from_ms=from_ms,
        until_ms=from_ms + max(1, round(for_h * MS_PER_HOUR)),
        by=_number(entry.get("by", kind.by or 0.0), where, -1e6),
        share=min(1.0, _number(entry.get("share", 1.0 if kind.share is None else kind.share), where, 0.0)),
        quantity=quantity,
    )


def _number(value: Any, where: str, least: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SettingsError(f"{value!r} is no number", where=where, mend=_EXAMPLE)
    if not least <= value <= 1e6:
        raise SettingsError(f"{value!r} makes no sense here", where=where, mend=_EXAMPLE)
    return float(value)
