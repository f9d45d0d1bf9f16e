"""Quantities as people type them on a command line: 70F, 21.5C, 21,5 C, 45%, 84kPa, 29.92inHg, 1600m, 5280ft."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Final, NamedTuple

from adapters.contract import QUANTITIES
from ingest import units
from ingest.errors import SettingsError

_TYPED: Final = re.compile(r"\s*([+-−]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*°?\s*([a-z%]*)\s*", re.ASCII | re.IGNORECASE)


class Measure(NamedTuple):
    """What an option takes.  us, si: the unit meant where none is typed.  to_si: by unit in lower case.

    low, high: between which values, in SI, it can be true.  unit: that SI unit.
    """

    option: str
    si: str
    us: str
    to_si: Mapping[str, Callable[[float], float]]
    low: float
    high: float
    unit: str
    example: str


def _same(value: float) -> float:
    return value


def _temperature_range() -> tuple[float, float]:
    return QUANTITIES["temperature_c"].minimum, QUANTITIES["temperature_c"].maximum


TEMPERATURE: Final = Measure(
    "--temperature",
    "c",
    "f",
    {"c": _same, "f": units.celsius_from_fahrenheit},
    *_temperature_range(),
    "°C",
    "21.5, 21.5C or 70F",
)
HUMIDITY: Final = Measure("--humidity", "%", "%", {"%": _same, "rh": _same, "%rh": _same}, 0.0, 100.0, "%", "45 or 45%")
PRESSURE: Final = Measure(
    "--pressure",
    "kpa",
    "inhg",
    {
        "kpa": _same,
        "hpa": lambda value: value / 10.0,
        "mbar": lambda value: value / 10.0,
        "inhg": units.kpa_from_inches_of_mercury,
    },
    QUANTITIES["pressure_kpa"].minimum,
    QUANTITIES["pressure_kpa"].maximum,
    "kPa",
    "84kPa, 840hPa or 24.9inHg",
)
ELEVATION: Final = Measure(
    "--elevation",
    "m",
    "ft",
    {"m": _same, "ft": units.metres_from_feet},
    -500.0,
    9000.0,
    "m",
    "1600m or 5250ft",
)
ACCURACY_TEMPERATURE: Final = Measure(
    "--accuracy-temperature",
    "c",
    "f",
    {"c": _same, "k": _same, "f": lambda value: value / 1.8},
    0.0,
    20.0,
    "°C",
    "0.3, 0.3C or 0.5F",
)
ACCURACY_HUMIDITY: Final = Measure(
    "--accuracy-humidity", "%", "%", {"%": _same, "rh": _same, "%rh": _same}, 0.0, 50.0, "%", "2 or 2%"
)
MOULD_GAP: Final = Measure(
    "--mould-gap", "h", "h", {"h": _same, "min": lambda value: value / 60.0}, 0.01, 6.0, "h", "3h"
)


LOOKS_LIKE_INCHES: Final = (25.0, 32.0)
"""Air pressure at inhabited places in inches of mercury; in kPa it would be that of 8,500 m and higher."""


def _typed(text: str) -> float:
    return float(text.replace(",", ".").replace("−", "-"))


def read_measure(text: str, measure: Measure, *, us_units: bool = False) -> float:
    """Read what was typed for an option, and give it in SI.

    A decimal comma will do.  us_units: a bare number is in the US unit.  Raises SettingsError when it is no number, has
    a unit that does not belong, or cannot be true.
    """
    mend = f"Give it as {measure.example}."
    match = _TYPED.fullmatch(text.replace("±", "", 1) if measure.option.startswith("--accuracy") else text)
    if match is None:
        raise SettingsError(f"{text[:40]!r} is not a number with a unit", where=measure.option, mend=mend)
    unit = match[2].lower() or (measure.us if us_units else measure.si)
    if unit not in measure.to_si:
        raise SettingsError(f"{match[2]!r} is not a unit for it", where=measure.option, mend=mend)
    low, high = LOOKS_LIKE_INCHES
    if measure is PRESSURE and not match[2] and unit == "kpa" and low <= _typed(match[1]) <= high:
        raise SettingsError(
            f"{match[1]} without a unit looks like inches of mercury, and would be taken as kPa",
            where=measure.option,
            mend=f"Write {match[1]}inHg, or {match[1]}kPa if that is meant.",
        )
    value = measure.to_si[unit](_typed(match[1]))
    if not measure.low <= value <= measure.high:
        raise SettingsError(
            f"{text.strip()} is outside {measure.low:g} to {measure.high:g} {measure.unit}",
            where=measure.option,
            mend=mend,
        )
    return value
