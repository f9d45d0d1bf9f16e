"""Descriptors of the Bluetooth Environmental Sensing Service: what a characteristic says of itself. Pure.

ES Measurement (290C), ES Trigger Setting (290D), Valid Range (2906), Characteristic User Description (2901). Layouts,
codes and the numbers that mean "not in use" are those of the service's specification (version 1.0, 2014), as read in
two public implementations that agree: the Zephyr project's sample peripheral_esp, and a stack's header of the service's
constants. That the uncertainty counts in half percents of the value is from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from adapters.contract import QUANTITIES
from adapters.framing.sensing import Characteristic, short_uuid

USER_DESCRIPTION: Final = short_uuid(0x2901)
VALID_RANGE: Final = short_uuid(0x2906)
MEASUREMENT: Final = short_uuid(0x290C)
TRIGGER_SETTING: Final = short_uuid(0x290D)

LONGEST_SECONDS: Final = 0xFFFFFF
_MEASUREMENT_OCTETS: Final = 11
_UNCERTAINTY_UNKNOWN: Final = 0xFF
_UNCERTAINTY_STEP_PERCENT: Final = 0.5
_DESCRIPTION_LENGTH: Final = 60

SAMPLINGS: Final = (
    "unspecified", "instantaneous", "mean", "root mean square", "maximum", "minimum", "accumulated", "count",
)  # fmt: skip
_OF_THE_AIR: Final = frozenset({0, 1, 2})
"""Sampling functions of which the value is that of the air: the day's maximum is not the room's temperature."""

APPLICATIONS: Final[Mapping[int, str]] = dict(enumerate((
    "unspecified", "air", "water", "barometric", "soil", "infrared", "map database", "barometric elevation source",
    "GPS only elevation source", "GPS and map database elevation source", "vertical datum elevation source", "onshore",
    "onboard vessel or vehicle", "front", "back or rear", "upper", "lower", "primary", "secondary", "outdoor", "indoor",
    "top", "bottom", "main", "backup", "auxiliary", "supplementary", "inside", "outside", "left", "right", "internal",
    "external", "solar",
)))  # fmt: skip

_FIXED, _NOT_SOONER, _CHANGED, _LAST = 1, 2, 3, 9
_COMPARED: Final[Mapping[int, str]] = {
    4: "below", 5: "at or below", 6: "above", 7: "at or above", 8: "exactly", 9: "other than",
}  # fmt: skip


class Measurement(NamedTuple):
    """How values come about.  period_s: over which one is formed.  renewed_s: how often the device makes a new one.

    application: for which the sensor is meant, a code of `APPLICATIONS`.  uncertainty_percent: of the value, ±.
    None where the device does not say.
    """

    sampling: int
    period_s: int | None
    renewed_s: int | None
    application: int
    uncertainty_percent: float | None

    @property
    def is_of_the_air(self) -> bool:
        """Say whether a value stands for the air at its time, as opposed to an extreme or a sum."""
        return self.sampling in _OF_THE_AIR


def decode_measurement(data: bytes) -> Measurement | None:
    """Take an ES Measurement descriptor apart; None where it is none. Octets that later versions add are left alone."""
    if len(data) < _MEASUREMENT_OCTETS:
        return None
    uncertainty = data[10]
    return Measurement(
        sampling=data[2],
        period_s=int.from_bytes(data[3:6], "little") or None,
        renewed_s=int.from_bytes(data[6:9], "little") or None,
        application=data[9],
        uncertainty_percent=None if uncertainty == _UNCERTAINTY_UNKNOWN else uncertainty * _UNCERTAINTY_STEP_PERCENT,
    )


class Trigger(NamedTuple):
    """When a device tells a value by itself.  seconds: of a time condition.  value: of a comparison, in our unit."""

    condition: int
    seconds: int | None = None
    value: float | None = None

    def __str__(self) -> str:
        """Say it in a few words."""
        if self.condition == _FIXED:
            return f"every {self.seconds} s"
        if self.condition == _NOT_SOONER:
            return f"not sooner than after {self.seconds} s"
        if self.condition in _COMPARED:
            return f"when {_COMPARED[self.condition]} {self.value:g}"
        return "when the value changes" if self.condition == _CHANGED else "never by itself"


def decode_trigger(characteristic: Characteristic, data: bytes) -> Trigger | None:
    """Take an ES Trigger Setting descriptor apart; None where it is none. A comparison is in the value's own format."""
    condition, operand = data[0] if data else 0xFF, data[1:]
    if condition in (_FIXED, _NOT_SOONER) and len(operand) == 3:
        return Trigger(condition, seconds=int.from_bytes(operand, "little"))
    if condition in _COMPARED and len(operand) == characteristic.length:
        return Trigger(condition, value=_value(characteristic, operand))
    return Trigger(condition) if condition in (0, _CHANGED) and not operand else None


def encode_trigger(seconds: int) -> bytes:
    """Write a descriptor that makes a device tell its value every so many seconds (1 to `LONGEST_SECONDS`)."""
    return bytes([_FIXED]) + seconds.to_bytes(3, "little")


def decode_valid_range(characteristic: Characteristic, data: bytes) -> tuple[float, float] | None:
    """Give the least and the greatest value that a device can tell, in our unit; None where that makes no sense."""
    size = characteristic.length
    if len(data) != 2 * size:
        return None
    low, high = _value(characteristic, data[:size]), _value(characteristic, data[size:])
    return (low, high) if low < high else None


def decode_description(data: bytes) -> str:
    """Give a user description: printable text of at most `_DESCRIPTION_LENGTH` characters, maybe none."""
    text = data[: 4 * _DESCRIPTION_LENGTH].decode("utf-8", "replace")
    return "".join(c for c in text if c.isprintable()).strip()[:_DESCRIPTION_LENGTH]


def _value(characteristic: Characteristic, data: bytes) -> float:
    return int.from_bytes(data, "little", signed=characteristic.signed) / characteristic.over


class About(NamedTuple):
    """What the descriptors of one characteristic say; empty or None where they do not.

    unread: one of them is there and could not be read.
    """

    description: str = ""
    measurement: Measurement | None = None
    valid: tuple[float, float] | None = None
    triggers: tuple[Trigger, ...] = ()
    unread: bool = False

    @property
    def application(self) -> str:
        """Give the word for what the sensor is meant for, or nothing."""
        return APPLICATIONS.get(self.measurement.application, "") if self.measurement else ""

    @property
    def is_usable(self) -> bool:
        """Say whether its values may be filed as those of the air."""
        return self.measurement is None or self.measurement.is_of_the_air

    def sentence(self, quantity: str, more: Sequence[str] = ()) -> str:
        """Say all of it in a line; empty where there is nothing to say.  more: parts to be put at its end."""
        parts = [f"“{self.description}”"] if self.description else []
        if self.measurement is not None:
            parts += _of_measurement(self.measurement, self.application, quantity)
        if self.valid is not None:
            parts.append(f"can tell {self.valid[0]:g} to {self.valid[1]:g} {QUANTITIES[quantity].unit}")
        if self.triggers:
            parts.append(f"tells by itself {' and '.join(str(trigger) for trigger in self.triggers)}")
        return ", ".join([*parts, *more])


_SLOW_S: Final = 600


def _of_measurement(measurement: Measurement, application: str, quantity: str) -> list[str]:
    parts: list[str] = []
    if 0 < measurement.sampling < len(SAMPLINGS):
        over = f" of {measurement.period_s} s" if measurement.period_s and measurement.sampling > 1 else ""
        parts.append(f"{SAMPLINGS[measurement.sampling]}{over}")
    if not measurement.is_of_the_air:
        parts.append("not taken, for that is not the value of the air")
    if application and measurement.application:
        parts.append(f"meant for: {application}")
    if measurement.uncertainty_percent is not None:
        as_of = _as_of(measurement, quantity)
        parts.append(f"by its own word good to ±{measurement.uncertainty_percent:g} % of the value{as_of}")
    if measurement.renewed_s is not None:
        parts.append(f"renewed every {measurement.renewed_s} s")
        if measurement.renewed_s > _SLOW_S:
            parts.append(f"so offline_after_minutes should be {-(-3 * measurement.renewed_s // 60)} or more")
    return parts


def _as_of(measurement: Measurement, quantity: str) -> str:
    """Say what the uncertainty comes to where rooms are, in the terms of the job's accuracy keys."""
    at = {"temperature_c": 20.0, "rh_percent": 50.0}.get(quantity)
    if at is None or measurement.uncertainty_percent is None:
        return ""
    comes_to = at * measurement.uncertainty_percent / 100
    return f" (accuracy_{quantity} = {comes_to:g} at {at:g} {QUANTITIES[quantity].unit})"
