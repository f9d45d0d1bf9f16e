"""Readings out of any JSON document, by a map of JSON Pointers (RFC 6901): of a web address, or of a topic. Pure."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from adapters.contract import SENSOR_ID, Reading, Rejection, SettingsError, Stamp, Why, rejection
from adapters.framing.columns import COLUMNS, GAPS, Column, converted, number_of
from adapters.framing.senml import Decoded
from adapters.framing.times import UNIX, Times, UnclearTimeError, checked_time_format, zone_named
from adapters.framing.topic_patterns import checked_template, filled

MAX_DOCUMENT_BYTES: Final = 1_000_000
KEYS: Final = ("sensor", "sensor_at", "quantity", "scale", "offset", "time")
"""What may stand in the table of one value."""
MAP_KEYS: Final = ("values", "sensor", "time", "time_format", "zone")
"""What may stand in the table of a whole map."""
_EXAMPLE: Final = '{ "/air/temperature" = "temperature_c", "/air/humidity" = "rh_percent" }'
_MS_FROM: Final = 1e11
"""A number of a time from here on counts milliseconds: as seconds it would lie beyond the year 5000."""


def steps_of(pointer: Any, where: str = "values") -> tuple[str, ...]:
    """Take a JSON Pointer apart.  Raises SettingsError when it is none (RFC 6901, section 3)."""
    if not isinstance(pointer, str) or (pointer and not pointer.startswith("/")):
        raise SettingsError(f"{pointer!r} is no JSON Pointer", where=where, mend=f"Write as {_EXAMPLE}")
    steps = pointer.split("/")[1:]
    if any(part[:1] not in ("0", "1") for step in steps for part in step.split("~")[1:]):
        raise SettingsError(f"{pointer!r} is no JSON Pointer", where=where, mend="Write ~0 for ~ and ~1 for /")
    return tuple(step.replace("~1", "/").replace("~0", "~") for step in steps)


def found_at(document: Any, steps: Sequence[str]) -> Any:
    """Give what a pointer leads to (RFC 6901, section 4).  Raises LookupError where it leads nowhere."""
    for step in steps:
        if isinstance(document, dict):
            document = document[step]
        elif isinstance(document, list) and step.isascii() and step.isdigit() and (step == "0" or step[0] != "0"):
            if len(step) > 9:
                raise LookupError(step)
            document = document[int(step)]
        else:
            raise LookupError(step)
    return document


@dataclass(frozen=True, slots=True)
class Entry:
    """One value of a map: value = number * scale + offset, in the column's unit.

    sensor: a name in which places may stand, or sensor_at: where the document has it.  time: where the document has
    the value's instant; None = it is that of the arrival.
    """

    steps: tuple[str, ...]
    column: Column
    sensor: str
    sensor_at: tuple[str, ...] | None
    scale: float
    offset: float
    time: tuple[str, ...] | None


@dataclass(frozen=True, slots=True)
class JsonMap:
    """Which values of a document are which quantities of one sensor or of several."""

    entries: tuple[Entry, ...]
    time_format: str | None = None
    zone: dt.tzinfo | None = None
    timed: bool = field(init=False)
    """Whether every value has its own instant in the document."""

    def __post_init__(self) -> None:
        """Find out whether it is timed."""
        object.__setattr__(self, "timed", all(entry.time is not None for entry in self.entries))

    def read(self, data: bytes, at_ms: int, places: Mapping[str, str] | None = None, prefix: str = "") -> Decoded:
        """Read a document.  Never raises for anything in it; every reading lies in its quantity's range.

        places: what stands in the places of the topic that it came by.  prefix: put before every sensor's name.
        """
        try:
            document = json.loads(data.decode("utf-8"), parse_int=float) if len(data) <= MAX_DOCUMENT_BYTES else None
        except (ValueError, RecursionError):
            document = None
        if document is None:
            why = Why.NOT_JSON if len(data) <= MAX_DOCUMENT_BYTES else Why.TOO_LONG
            return Decoded([], [rejection(why, data[:100])])
        decoded = Decoded([], [])
        for entry in self.entries:
            found = self._reading(document, entry, at_ms, places or {}, prefix)
            if isinstance(found, Reading):
                decoded.readings.append(found)
            elif found is not None:
                decoded.rejections.append(found)
        return decoded

    def _reading(
        self, document: Any, entry: Entry, at_ms: int, places: Mapping[str, str], prefix: str
    ) -> Reading | Rejection | None:
        sensor = _sensor(document, entry, places, prefix)
        if isinstance(sensor, Rejection):
            return sensor
        value = _value(document, entry)
        if not isinstance(value, float):
            return value._replace(sensor=sensor) if value else None
        if entry.time is None:
            return Reading(sensor, entry.column.quantity, value, at_ms, Stamp.ARRIVAL)
        told_ms = self._told_ms(document, entry.time, at_ms)
        if isinstance(told_ms, Rejection):
            return told_ms._replace(sensor=sensor)
        return Reading(sensor, entry.column.quantity, value, told_ms, Stamp.SENSOR)

    def _told_ms(self, document: Any, steps: Sequence[str], at_ms: int) -> int | Rejection:
        shown = _shown(steps)
        try:
            found = found_at(document, steps)
        except LookupError:
            return rejection(Why.TIME, f"{shown} is not in the document")
        try:
            return self._instant_ms(found, at_ms)
        except (UnclearTimeError, OverflowError) as error:
            return rejection(Why.TIME, f"{shown}: {found!r:.60} {error}".rstrip())

    def _instant_ms(self, found: Any, at_ms: int) -> int:
        if type(found) is float:
            if not math.isfinite(found) or self.time_format not in (None, *UNIX):
                raise UnclearTimeError("")
            in_ms = UNIX[self.time_format] if self.time_format else (1.0 if found >= _MS_FROM else 1000.0)
            found = round(found * in_ms)
        times = Times(self.zone, self.time_format)
        first = times.instant("", found.strip() if isinstance(found, str) else found)
        if not first.doubled:
            return first.at_ms
        second = times.instant("", found)  # of an hour that comes twice: the one nearer to the arrival
        return min((first.at_ms, second.at_ms), key=lambda told_ms: abs(told_ms - at_ms))


def map_of(given: Any, *, places: Iterable[str] = (), where: str = "values") -> JsonMap:
    """Make a map of the settings file's table.

    given: { values = { pointer = a quantity or column, or a table of `KEYS` }, ... } with `MAP_KEYS`: `sensor` of the
    values that name none, `time` where the instant of all of them is.  places: that may stand in sensors' names.
    Raises SettingsError where that does not say what is needed.
    """
    if not isinstance(given, dict) or not isinstance(given.get("values"), dict) or not given["values"]:
        mend = f"Write as values = {_EXAMPLE}"
        raise SettingsError("no value is named", where=where, mend=mend)
    _refuse_unknown(given, MAP_KEYS, where)
    time = given.get("time") or None
    common = Entry(
        steps=(),
        column=next(iter(COLUMNS.values())),
        sensor=checked_template(given["sensor"], places, where) if given.get("sensor") else "",
        sensor_at=None,
        scale=1.0,
        offset=0.0,
        time=None if time is None else steps_of(time, where),
    )
    zone = given.get("zone")
    return JsonMap(
        tuple(_entry(pointer, meant, common, tuple(places), where) for pointer, meant in given["values"].items()),
        checked_time_format(given.get("time_format"), where),
        None if zone is None else zone_named(zone),
    )


def _entry(pointer: str, given: Any, common: Entry, places: tuple[str, ...], where: str) -> Entry:
    told = given if isinstance(given, dict) else {"quantity": given}
    quantity = told.get("quantity")
    if not set(told) <= set(KEYS):
        raise SettingsError(f"{given!r} is no meaning of {pointer!r}", where=where, mend=f"Write as {_EXAMPLE}")
    if not isinstance(quantity, str) or quantity not in COLUMNS:
        raise SettingsError(f"{quantity!r} is no quantity", where=where, mend=f"Use one of: {', '.join(COLUMNS)}")
    sensor_at = steps_of(told["sensor_at"], where) if "sensor_at" in told else None
    sensor = checked_template(told["sensor"], places, where) if "sensor" in told else common.sensor
    if not sensor and sensor_at is None:
        mend = 'Set sensor = "...", or { sensor = "...", quantity = "..." } for the value'
        raise SettingsError(f"{pointer!r} has no sensor", where=where, mend=mend)
    return Entry(
        steps=steps_of(pointer, where),
        column=COLUMNS[quantity],
        sensor=sensor,
        sensor_at=sensor_at,
        scale=_number(told, "scale", 1.0, where),
        offset=_number(told, "offset", 0.0, where),
        time=steps_of(told["time"], where) if "time" in told else common.time,
    )


def _refuse_unknown(given: Mapping[str, Any], known: Sequence[str], where: str) -> None:
    for key in given:
        if key not in known:
            raise SettingsError(f"there is no key {key!r}", where=where, mend=f"Keys are: {', '.join(known)}")


def _number(told: Mapping[str, Any], key: str, default: float, where: str) -> float:
    value = told.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise SettingsError(f"{key} {value!r} is no number", where=where, mend="Give a number as 0.1")
    return float(value)


def _sensor(document: Any, entry: Entry, places: Mapping[str, str], prefix: str) -> str | Rejection:
    name: Any = filled(entry.sensor, places)
    if entry.sensor_at is not None:
        try:
            name = found_at(document, entry.sensor_at)
        except LookupError:
            return rejection(Why.NO_SENSOR, f"{_shown(entry.sensor_at)} is not in the document")
    name = f"{prefix}{name}" if isinstance(name, str) else name
    if isinstance(name, str) and SENSOR_ID.fullmatch(name):
        return name
    return rejection(Why.NAME, f"sensor {name!r:.60}")


def _value(document: Any, entry: Entry) -> float | Rejection | None:
    """Give the value in our unit, None for a gap (null, or a text that stands for one), or a rejection."""
    shown = _shown(entry.steps)
    try:
        found = found_at(document, entry.steps)
    except LookupError:
        return rejection(Why.NO_VALUE, f"{shown} is not in the document")
    if found is None or (isinstance(found, str) and found.strip().lower() in GAPS):
        return None
    number = number_of(found.strip()) if isinstance(found, str) else found
    if type(number) is not float:
        why = number if isinstance(number, Why) else Why.WRONG_TYPE
        return rejection(why, f"{shown}: {found!r:.60}")
    value = converted(number * entry.scale + entry.offset, entry.column)
    return rejection(value, f"{shown}: {found!r:.60}") if isinstance(value, Why) else value


def _shown(steps: Sequence[str]) -> str:
    return ("/" + "/".join(steps))[:100]
