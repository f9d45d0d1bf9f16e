"""Names for quantities in the units that files and devices have them in, and numbers as they write them. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

from adapters.contract import QUANTITIES, Why
from ingest.units import celsius_from_fahrenheit, kpa_from_inches_of_mercury

GAPS: Final = frozenset({"", "nan", "na", "n/a", "null", "none", "-"})
"""What stands, in lower case, where there is no value."""
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_MAX_DIGITS: Final = 64


class Column(NamedTuple):
    """A quantity's column.  convert: from the column's unit to the quantity's."""

    quantity: str
    convert: Callable[[float], float]


def _as_is(value: float) -> float:
    return value


COLUMNS: Final[Mapping[str, Column]] = {
    **{name: Column(name, _as_is) for name in QUANTITIES},
    "temperature_f": Column("temperature_c", celsius_from_fahrenheit),
    "surface_temperature_f": Column("surface_temperature_c", celsius_from_fahrenheit),
    "slab_temperature_f": Column("slab_temperature_c", celsius_from_fahrenheit),
    "pressure_hpa": Column("pressure_kpa", lambda value: value / 10.0),
    "pressure_inhg": Column("pressure_kpa", kpa_from_inches_of_mercury),
}


def value_of(text: str, column: Column) -> float | Why:
    """Read a decimal number and give it in the quantity's unit, within its range, or why it is none."""
    number = number_of(text)
    return number if isinstance(number, Why) else converted(number, column)


def number_of(text: str) -> float | Why:
    """Read a decimal number (point, sign and exponent allowed, nothing around it), or say why it is none."""
    return float(text) if len(text) <= _MAX_DIGITS and _NUMBER.fullmatch(text) else Why.NO_VALUE


def converted(number: float, column: Column) -> float | Why:
    """Give a number in the quantity's unit, within its range, or why it cannot be."""
    value = column.convert(number)
    if not math.isfinite(value):
        return Why.NOT_FINITE
    quantity = QUANTITIES[column.quantity]
    return value if quantity.minimum <= value <= quantity.maximum else Why.OUT_OF_RANGE
