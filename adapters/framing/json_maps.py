"""Readings out of any JSON document, by a map of JSON Pointers (RFC 6901). Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from adapters.contract import SENSOR_ID, Reading, Rejection, SettingsError, Stamp, Why, rejection
from adapters.framing.columns import COLUMNS, GAPS, Column, converted, value_of
from adapters.framing.senml import Decoded

MAX_DOCUMENT_BYTES: Final = 1_000_000
_EXAMPLE: Final = '{ "/air/temperature" = "temperature_c", "/air/humidity" = "rh_percent" }'


def steps_of(pointer: str) -> tuple[str, ...]:
    """Take a JSON Pointer apart.  Raises SettingsError when it is none (RFC 6901, section 3)."""
    if pointer and not pointer.startswith("/"):
        raise SettingsError(f"{pointer!r} is no JSON Pointer", where="values", mend=f"Write as {_EXAMPLE}")
    steps = pointer.split("/")[1:]
    if any(part[:1] not in ("0", "1") for step in steps for part in step.split("~")[1:]):
        raise SettingsError(f"{pointer!r} is no JSON Pointer", where="values", mend="Write ~0 for ~ and ~1 for /")
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


class JsonMap:
    """Which values of a document are which quantities of one sensor or of several."""

    def __init__(self, values: Mapping[str, Any], sensor: str | None) -> None:
        """values: pointer -> a quantity or column, or { sensor = ..., quantity = ... }.  sensor: of those without one.

        Raises SettingsError where that does not say what is needed.
        """
        self._values = [(steps_of(pointer), *_meaning(pointer, given, sensor)) for pointer, given in values.items()]
        if not self._values:
            raise SettingsError("no value is named", where="values", mend=f"Write as {_EXAMPLE}")

    def read(self, data: bytes, at_ms: int) -> Decoded:
        """Read a document.  Never raises for anything in it; every reading lies in its quantity's range."""
        try:
            document = json.loads(data.decode("utf-8"), parse_int=float) if len(data) <= MAX_DOCUMENT_BYTES else None
        except (ValueError, RecursionError):
            document = None
        if document is None:
            why = Why.NOT_JSON if len(data) <= MAX_DOCUMENT_BYTES else Why.TOO_LONG
            return Decoded([], [rejection(why, data[:100])])
        decoded = Decoded([], [])
        for steps, sensor, column in self._values:
            found = _value(document, steps, column)
            if isinstance(found, float):
                decoded.readings.append(Reading(sensor, column.quantity, found, at_ms, Stamp.ARRIVAL))
            elif found is not None:
                decoded.rejections.append(found._replace(sensor=sensor))
        return decoded


def _meaning(pointer: str, given: Any, sensor: str | None) -> tuple[str, Column]:
    entry = given if isinstance(given, dict) else {"quantity": given}
    name, quantity = entry.get("sensor", sensor), entry.get("quantity")
    if not set(entry) <= {"sensor", "quantity"}:
        raise SettingsError(f"{given!r} is no meaning of {pointer!r}", where="values", mend=f"Write as {_EXAMPLE}")
    if not isinstance(quantity, str) or quantity not in COLUMNS:
        raise SettingsError(f"{quantity!r} is no quantity", where="values", mend=f"Use one of: {', '.join(COLUMNS)}")
    if not isinstance(name, str) or not SENSOR_ID.fullmatch(name):
        mend = 'Set sensor = "...", or { sensor = "...", quantity = "..." } for the value'
        raise SettingsError(f"{pointer!r} has no sensor ({name!r})", where="values", mend=mend)
    return name, COLUMNS[quantity]


def _value(document: Any, steps: Sequence[str], column: Column) -> float | Rejection | None:
    """Give the value in our unit, None for a gap (null, or a text that stands for one), or a rejection."""
    shown = "/" + "/".join(steps)
    try:
        found = found_at(document, steps)
    except LookupError:
        return rejection(Why.NO_VALUE, f"{shown} is not in the document")
    if found is None or (isinstance(found, str) and found.strip().lower() in GAPS):
        return None
    if isinstance(found, str):
        value = value_of(found.strip(), column)
    else:
        value = converted(found, column) if type(found) is float else Why.WRONG_TYPE
    return rejection(value, f"{shown}: {found!r:.60}") if isinstance(value, Why) else value
