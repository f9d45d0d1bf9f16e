"""Which Modbus registers hold what: a map from the settings file, the fewest requests for it, words into readings.
Pure.

Modbus (MODBUS Application Protocol Specification V1.1b3) knows registers of 16 bits and says nothing about what is in
them: type, scale and the order of words come from the device's manual and stand in the map.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from adapters.contract import SENSOR_ID, Reading, Rejection, SettingsError, Stamp, Why, rejection
from adapters.framing.columns import COLUMNS, Column, converted

MOST_REGISTERS: Final = 125
"""How many registers one request may ask for (specification, sections 6.3 and 6.4)."""
FUNCTIONS: Final[Mapping[str, int]] = {"holding": 3, "input": 4}
_FORMATS: Final[Mapping[str, tuple[str, int]]] = {
    "int16": (">h", 1), "uint16": (">H", 1), "int32": (">i", 2), "uint32": (">I", 2), "float32": (">f", 2),
}  # fmt: skip
TYPES: Final = tuple(_FORMATS)
WORD_ORDERS: Final = ("big", "little")


class Place(NamedTuple):
    """Which registers.  slave: 1 to 247.  function: 3 (holding registers) or 4 (input registers)."""

    slave: int
    function: int
    address: int  # as it goes over the line, from 0
    words: int


@dataclass(frozen=True, slots=True)
class Register:
    """One value of the map: value = raw * scale + offset, in the column's unit."""

    sensor: str
    column: Column
    place: Place
    form: str  # of `struct`, for the words in big order
    little_words: bool
    scale: float
    offset: float
    missing: int | None  # the raw value by which the device says that it has none

    def read(self, words: Sequence[int], at_ms: int) -> Reading | Rejection | None:
        """Make a reading of the register's own words; None where the device says that it has no value."""
        ordered = words[::-1] if self.little_words else words
        (raw,) = struct.unpack(self.form, struct.pack(f">{len(ordered)}H", *ordered))
        if self.missing is not None and raw == self.missing:
            return None
        value = converted(raw * self.scale + self.offset, self.column)
        if isinstance(value, Why):
            return rejection(value, f"{self.column.quantity}: raw {raw!r}", self.sensor)
        return Reading(self.sensor, self.column.quantity, value, at_ms, Stamp.ARRIVAL)


class Request(NamedTuple):
    """One question to one slave, and the registers that its answer holds."""

    place: Place
    registers: tuple[Register, ...]

    def read(self, words: Sequence[int], at_ms: int) -> list[Reading | Rejection]:
        """Make readings of the answer's words, as many as were asked for."""
        out: list[Reading | Rejection] = []
        for register in self.registers:
            start = register.place.address - self.place.address
            found = register.read(words[start : start + register.place.words], at_ms)
            if found is not None:
                out.append(found)
        return out


KEYS: Final = (
    "sensor", "quantity", "slave", "address", "function", "type", "scale", "offset", "word_order", "missing",
)  # fmt: skip
_EXAMPLE: Final = '{ sensor = "loft", quantity = "rh_percent", slave = 1, address = 0, scale = 0.1 }'


def register_of(entry: Any, number: int) -> Register:
    """Make one register of the settings file's table.  number: which one it is, for messages.  Raises SettingsError."""
    where = f"registers, entry {number}"
    if not isinstance(entry, dict):
        raise SettingsError(f"{entry!r} is no table", where=where, mend=f"Write {_EXAMPLE}")
    unknown = [key for key in entry if key not in KEYS]
    if unknown:
        raise SettingsError(f"there is no key {unknown[0]!r}", where=where, mend=f"Keys are: {', '.join(KEYS)}")
    sensor = entry.get("sensor")
    if not isinstance(sensor, str) or not SENSOR_ID.fullmatch(sensor):
        raise SettingsError(f"sensor {sensor!r} cannot be a sensor's name", where=where, mend=f"Write {_EXAMPLE}")
    form, count = _FORMATS[_choice(entry, "type", _FORMATS, "int16", where)]
    place = Place(
        slave=_whole(entry, "slave", 1, 247, 1, where),
        function=FUNCTIONS[_choice(entry, "function", FUNCTIONS, "input", where)],
        address=_whole(entry, "address", 0, 65_536 - count, None, where),
        words=count,
    )
    return Register(
        sensor=sensor,
        column=COLUMNS[_choice(entry, "quantity", COLUMNS, None, where)],
        place=place,
        form=form,
        little_words=_choice(entry, "word_order", WORD_ORDERS, "big", where) == "little",
        scale=_number(entry, "scale", 1.0, where),
        offset=_number(entry, "offset", 0.0, where),
        missing=None if "missing" not in entry else _whole(entry, "missing", -(2**31), 2**32, None, where),
    )


def _choice(entry: Mapping[str, Any], key: str, known: Iterable[str], default: str | None, where: str) -> str:
    value = entry.get(key, default)
    names = tuple(known)
    if isinstance(value, str) and value in names:
        return value
    what = f"{key} is missing" if value is None else f"{key} {value!r} is nothing that we know"
    raise SettingsError(what, where=where, mend=f"Use one of: {', '.join(names)}")


def _whole(entry: Mapping[str, Any], key: str, low: int, high: int, default: int | None, where: str) -> int:
    value = entry.get(key, default)
    if type(value) is int and low <= value <= high:
        return value
    what = f"{key} is missing" if value is None else f"{key} {value!r} cannot be"
    raise SettingsError(what, where=where, mend=f"Give a whole number from {low} to {high}")


def _number(entry: Mapping[str, Any], key: str, default: float, where: str) -> float:
    value = entry.get(key, default)
    if type(value) in (int, float) and -1e6 <= value <= 1e6:
        return float(value)
    raise SettingsError(f"{key} {value!r} cannot be", where=where, mend="Give a number, such as 0.1")


def registers_of(entries: Sequence[Any]) -> tuple[Register, ...]:
    """Make the map.  Raises SettingsError where an entry cannot be, or two give the same quantity of one sensor."""
    registers = tuple(register_of(entry, number) for number, entry in enumerate(entries, 1))
    if not registers:
        raise SettingsError("there is none", where="registers", mend=f"Write registers = [{_EXAMPLE}, ...]")
    seen: set[tuple[str, str]] = set()
    for number, register in enumerate(registers, 1):
        name = (register.sensor, register.column.quantity)
        if name in seen:
            raise SettingsError(
                f"{name[1]} of {name[0]} stands here a second time",
                where=f"registers, entry {number}",
                mend="Give each sensor a name of its own",
            )
        seen.add(name)
    return registers


def requests_of(registers: Iterable[Register]) -> tuple[Request, ...]:
    """Put neighbouring registers of one slave and function into one request, so that they are of one moment.

    Registers between them that are not in the map are not asked for: a device may refuse the whole for one that it
    does not have.
    """
    requests: list[Request] = []
    for register in sorted(registers, key=lambda one: one.place):
        place = register.place
        last = requests[-1].place if requests else None
        end = place.address + place.words
        joins = last is not None and (last.slave, last.function) == (place.slave, place.function)
        if last is not None and joins and place.address <= last.address + last.words:
            count = max(last.address + last.words, end) - last.address
            if count <= MOST_REGISTERS:
                requests[-1] = Request(last._replace(words=count), (*requests[-1].registers, register))
                continue
        requests.append(Request(place, (register,)))
    return tuple(requests)
