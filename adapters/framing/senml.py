"""SenML (RFC 8428, with the features and secondary units of RFC 9100 and RFC 8798): packs in, readings out.

Pure: bytes and the instant of their arrival in, readings and rejections out; and readings in, a pack out. What a name
means (`<sensor>/<quantity label>`), which units fit which quantity and what is refused is told to people in
`adapters/PROTOCOL.md`.

How a pack becomes readings: it is parsed (`senml_records`: JSON or CBOR) and checked as a whole (a pack that breaks
SenML's own rules is refused whole), then each record is resolved against the base fields in force and judged by itself
(one bad record does not take its neighbours with it).
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

from adapters.contract import QUANTITIES, SENSOR_ID, Quantity, Reading, Rejection, Stamp, Why, rejection
from adapters.framing.senml_records import Form, RefusedPackError, parse

RELATIVE_BELOW_S: Final = 2.0**28
"""A resolved time below this is relative to the arrival, from it on it counts from 1970 (RFC 8428, section 4.5.3)."""
AHEAD_TOLERANCE_S: Final = 1.0
"""A relative time further ahead than this is not that of a measurement (often it is the device's time since boot)."""
LATEST_MS: Final = 253_402_300_799_999
"""The last millisecond of the year 9999."""
_REMEMBERED_LENGTH: Final = 400
"""What a longer name and unit mean is found out anew each time."""

VERSION: Final = 10
SECONDARY_UNITS: Final = 1 << 4  # feature 4 of RFC 9100
_KNOWN_FEATURES: Final = VERSION | SECONDARY_UNITS

_BASE_TYPES: Final[Mapping[str, type]] = {"bn": str, "bt": float, "bu": str, "bv": float, "bs": float, "bver": float}
_RECORD_TYPES: Final[Mapping[str, type]] = {
    "n": str, "u": str, "v": float, "vs": str, "vb": bool, "vd": str, "s": float, "t": float, "ut": float,
}  # fmt: skip
_VALUES: Final = ("v", "vs", "vb", "vd")


class Decoded(NamedTuple):
    """What a pack held: readings in its own order, and what of it had to be rejected."""

    readings: list[Reading]
    rejections: list[Rejection]


class Numbered(NamedTuple):
    """As `Decoded`, and of each reading and each rejection which record of the pack it came of.

    Records count from 0; None stands for the pack as a whole.
    """

    readings: list[Reading]
    read_of: list[int]
    rejections: list[Rejection]
    rejected_of: list[int | None]


class UnitScale(NamedTuple):
    """A SenML unit that fits a quantity: value in our unit = value * times / over + plus."""

    times: float
    over: float
    plus: float


def _scale(times: float = 1.0, over: float = 1.0, plus: float = 0.0) -> UnitScale:
    return UnitScale(times, over, plus)


# Per unit that the quantities are defined in: the other registered units that say the same (IANA SenML registries).
_SCALES: Final[Mapping[str, Mapping[str, UnitScale]]] = {
    "Cel": {"Cel": _scale(), "K": _scale(plus=-273.15)},
    "%RH": {"%RH": _scale()},
    "%": {"%": _scale(), "/": _scale(times=100.0), "/100": _scale()},
    # Divided by 1000, not multiplied by 0.001, which is no binary number: 101325 Pa gives 101.325 kPa exactly.
    "Pa": {"Pa": _scale(over=1000.0), "hPa": _scale(over=10.0)},
    "%EL": {"%EL": _scale()},
    "dBm": {"dBm": _scale(), "dBW": _scale(plus=30.0)},
}
_SECONDARY: Final = frozenset({"hPa", "dBm", "/100"})
_BY_LABEL: Final[Mapping[str, Quantity]] = {quantity.senml_label: quantity for quantity in QUANTITIES.values()}
# Units that by themselves leave no doubt what is meant; "%" and "/" could be anything.
_BY_UNIT: Final[Mapping[str, Quantity]] = {
    unit: QUANTITIES[name]
    for name in ("temperature_c", "rh_percent", "pressure_kpa", "battery_percent", "signal_dbm")
    for unit in _SCALES[QUANTITIES[name].senml_unit]
}


def units_of(quantity: Quantity) -> tuple[str, ...]:
    """Give the SenML units in which a quantity may be sent, its own first."""
    return tuple(_SCALES[quantity.senml_unit])


@dataclass(slots=True)
class _Base:
    """The base fields in force at a record."""

    bn: str = ""
    bt: float = 0.0
    bu: str = ""
    bv: float | None = None

    def take(self, record: Mapping[str, Any]) -> None:
        self.bn = record.get("bn", self.bn)
        self.bt = record.get("bt", self.bt)
        self.bu = record.get("bu", self.bu)
        self.bv = record.get("bv", self.bv)


def decode_pack(
    data: bytes, arrival_ms: int, *, default_sensor: str | None = None, prefix: str = "", form: Form = Form.JSON
) -> Decoded:
    """Resolve a SenML pack into readings.

    data: the pack.  form: JSON in UTF-8, CBOR, or told from the first byte.  arrival_ms: when it reached us (UTC ms);
    what says no time, or a time relative to now, is stamped from it.  default_sensor: the sensor of records whose name
    is a quantity label alone.  prefix: put before every sensor's name (for two devices that call themselves the same).
    Never raises for anything in `data`; every reading given lies in its quantity's range.
    """
    numbered = decode_numbered(data, arrival_ms, default_sensor=default_sensor, prefix=prefix, form=form)
    return Decoded(numbered.readings, numbered.rejections)


def decode_numbered(
    data: bytes, arrival_ms: int, *, default_sensor: str | None = None, prefix: str = "", form: Form = Form.JSON
) -> Numbered:
    """Resolve a SenML pack as `decode_pack` does, and say which record each outcome came of."""
    try:
        records = parse(data, form)
        _check_pack(records)
    except RefusedPackError as refused:
        return Numbered([], [], [rejection(refused.why, refused.detail)], [None])
    decoded = Numbered([], [], [], [])
    base = _Base()
    for number, record in enumerate(records):
        if not _BASE_TYPES.keys().isdisjoint(record):
            base.take(record)
            if _RECORD_TYPES.keys().isdisjoint(record) and "bv" not in record:
                continue  # a record of base fields alone carries no measurement
        outcome = _resolve(record, base, arrival_ms, default_sensor, prefix)
        if type(outcome) is Reading:
            decoded.readings.append(outcome)
            decoded.read_of.append(number)
        elif isinstance(outcome, Rejection):
            decoded.rejections.append(outcome)
            decoded.rejected_of.append(number)
    return decoded


def _check_pack(records: list[Any]) -> None:
    """Hold the pack against the rules that concern all of it; raises RefusedPackError."""
    version: float | None = None
    for record in records:
        if type(record) is not dict:
            raise RefusedPackError(Why.NOT_A_PACK, f"a record that is no object: {record!r:.100}")
        for label, value in record.items():
            wanted = _BASE_TYPES.get(label)
            if wanted is not None and type(value) is not wanted:
                raise RefusedPackError(Why.NOT_A_PACK, f"base field {label} is {value!r:.100}")
            if label[-1:] == "_":
                raise RefusedPackError(Why.MUST_UNDERSTAND, label)
        if "bver" in record:
            version = _checked_version(record["bver"], version)


def _checked_version(stated: float, before: float | None) -> float:
    """Refuse a version that asks for features which we do not have (RFC 9100), or that changes within the pack."""
    known = stated in (5.0, 10.0) or (stated.is_integer() and stated > VERSION and not int(stated) & ~_KNOWN_FEATURES)
    if not known:  # 5 is what the RFC's own examples were first printed with
        raise RefusedPackError(Why.VERSION, f"bver {stated:.17g}")
    if before is not None and stated != before:
        raise RefusedPackError(Why.VERSION, f"bver {before:g} and {stated:g} in one pack")
    return stated


def _resolve(
    record: Mapping[str, Any], base: _Base, arrival_ms: int, default_sensor: str | None, prefix: str
) -> Reading | Rejection:
    """Judge one record by itself, with the base fields in force."""
    for label, given in record.items():
        wanted = _RECORD_TYPES.get(label)
        if wanted is not None and type(given) is not wanted:
            return rejection(Why.WRONG_TYPE, f"{label} is {given!r:.100}")
    name = base.bn + record.get("n", "")
    unit = record.get("u", base.bu)
    # Names come from outside: one as long as a pack must not be held for later, and four thousand of them still less.
    find = _known_meaning if len(name) + len(unit) <= _REMEMBERED_LENGTH else _meaning
    meaning = find(name, unit, default_sensor, prefix)
    if isinstance(meaning, Why):
        return rejection(meaning, f"{name or 'no name'} in {unit or 'no unit'}")
    value = _value(record, base.bv, meaning)
    if isinstance(value, Why):
        return rejection(value, f"{name}: {_shown(record)}", meaning.sensor)
    at = _instant(base.bt, record.get("t", 0.0), arrival_ms)
    if isinstance(at, Why):
        return rejection(at, f"{name}: time {base.bt!r} + {record.get('t', 0.0)!r}", meaning.sensor)
    return Reading(meaning.sensor, meaning.quantity.name, value, *at)


def _shown(record: Mapping[str, Any]) -> str:
    return ", ".join(f"{label} {record[label]!r:.60}" for label in (*_VALUES, "s") if label in record) or "nothing"


class _Meaning(NamedTuple):
    sensor: str
    quantity: Quantity
    scale: UnitScale


def _meaning(name: str, unit: str, default_sensor: str | None, prefix: str) -> _Meaning | Why:
    """Say which sensor and quantity a resolved name and unit stand for, or why none."""
    head, _, label = name.rpartition("/")
    quantity = _BY_LABEL.get(label)
    sensor: str | None = name if quantity is None else head or default_sensor
    quantity = quantity or _BY_UNIT.get(unit)
    if quantity is None:
        return Why.UNKNOWN_QUANTITY if name else Why.NO_SENSOR
    if not sensor:
        return Why.NO_SENSOR
    if not SENSOR_ID.fullmatch(prefix + sensor):
        return Why.NAME
    scale = _SCALES[quantity.senml_unit].get(unit)
    return _Meaning(prefix + sensor, quantity, scale) if scale else Why.WRONG_UNIT


_known_meaning = functools.lru_cache(maxsize=4096)(_meaning)


def _value(record: Mapping[str, Any], base_value: float | None, meaning: _Meaning) -> float | Why:
    """Give the record's value in our unit, within its quantity's range, or why there is none."""
    given = [label for label in _VALUES if label in record]
    if len(given) > 1:
        return Why.SEVERAL_VALUES
    if given != ["v"] and (given or "s" in record or base_value is None):
        return Why.NO_VALUE
    sent: float = record.get("v", 0.0) + (base_value or 0.0)
    value = sent * meaning.scale.times / meaning.scale.over + meaning.scale.plus
    if not math.isfinite(value):
        return Why.NOT_FINITE
    return value if meaning.quantity.minimum <= value <= meaning.quantity.maximum else Why.OUT_OF_RANGE


def _instant(base_s: float, own_s: float, arrival_ms: int) -> tuple[int, Stamp] | Why:
    """Resolve a time to an instant (UTC ms) and say whose clock it comes from, or why it cannot be used."""
    total_s = base_s + own_s
    if not -RELATIVE_BELOW_S < total_s <= LATEST_MS / 1000:  # refuses NaN and infinities too
        return Why.TIME
    if total_s >= RELATIVE_BELOW_S:
        if base_s < RELATIVE_BELOW_S and own_s < RELATIVE_BELOW_S:
            return Why.TIME  # two relative times whose sum happens to pass the border
        # A double holds seconds of this size to 2^-14 ms up to the year 2106, and to 2^-6 ms in 9999.
        return round(total_s * 1000), Stamp.SENSOR
    if total_s > AHEAD_TOLERANCE_S:
        return Why.FUTURE
    return arrival_ms + round(total_s * 1000), Stamp.ARRIVAL


def encode_pack(readings: Iterable[Reading]) -> bytes:
    """Write readings as one SenML JSON pack, in their order; what `decode_pack` gives back is the same.

    The same value bit for bit (a pressure, whose unit differs from ours, bit for bit where it has at most three
    decimals or came in by SenML, else within one unit in the last place), and the same millisecond. Every reading
    comes back as stamped by its sensor: the pack states its instant.
    Raises ValueError for a reading that SenML cannot say: not finite, or earlier than 2^28 s after 1970 (July 1978).
    """
    records: list[dict[str, Any]] = []
    sensor = None
    version = VERSION
    for reading in readings:
        quantity = QUANTITIES[reading.quantity]
        record: dict[str, Any] = {}
        if reading.sensor != sensor:
            sensor = reading.sensor
            record["bn"] = f"{sensor}/"
        record["n"] = quantity.senml_label
        record["u"] = quantity.senml_unit
        record["t"] = _seconds(reading)
        record["v"] = _senml_value(reading, quantity)
        version |= SECONDARY_UNITS if quantity.senml_unit in _SECONDARY else 0
        records.append(record)
    if version != VERSION:
        records[0]["bver"] = version
    return json.dumps(records, separators=(",", ":"), allow_nan=False).encode()


def _seconds(reading: Reading) -> float | int:
    if not RELATIVE_BELOW_S * 1000 <= reading.at_ms <= LATEST_MS:
        raise ValueError(f"SenML cannot state the instant {reading.at_ms} ms of a reading of {reading.sensor}")
    whole, rest = divmod(reading.at_ms, 1000)
    return reading.at_ms / 1000 if rest else whole


def _senml_value(reading: Reading, quantity: Quantity) -> float:
    scale = _SCALES[quantity.senml_unit][quantity.senml_unit]
    if scale == _scale():
        return reading.value
    near = reading.value * scale.over / scale.times
    # Of the neighbouring doubles, take the one that decodes to this very value where there is one.
    candidates = (near, math.nextafter(near, math.inf), math.nextafter(near, -math.inf))
    return next((c for c in candidates if c * scale.times / scale.over == reading.value), near)
