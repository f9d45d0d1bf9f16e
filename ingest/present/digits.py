"""How a quantity is said to people: title, number with as many digits as mean something, unit; SI or US. Pure.

The numbers of digits follow what a good probe in a room can tell (about 0.1 °C, 0.1 % of relative humidity shown,
1 to 2 % meant); common practice, no source. A figure that is not there is said as "–" and never as 0.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from ingest import units as convert
from ingest.site.places import Bounds
from ingest.units import inches_from_millimetres

NOTHING: Final = "–"
MINUS: Final = "−"


class Units(enum.Enum):
    """Which units a person likes to read."""

    SI = "si"
    US = "us"


class Figure(NamedTuple):
    """A number and its unit as printed; the number is "–" where there is none."""

    number: str
    unit: str

    def __str__(self) -> str:
        if self.number == NOTHING or not self.unit:
            return self.number
        return f"{self.number} {self.unit}"


@dataclass(frozen=True, slots=True)
class Form:
    """How one quantity is printed in one system of units.  scale: for differences; shown: for values."""

    unit: str
    decimals: int
    shown: Callable[[float], float] = float
    scale: float = 1.0


@dataclass(frozen=True, slots=True)
class Display:
    """How one quantity is said.  title: at the head of a column.  short: in a sentence."""

    name: str
    title: str
    short: str
    si: Form
    us: Form

    def form(self, units: Units) -> Form:
        """Give the form for these units."""
        return self.us if units is Units.US else self.si


def _inhg(pressure_kpa: float) -> float:
    return convert.inches_of_mercury_from_kpa(pressure_kpa)


def _temperature(name: str, title: str, short: str) -> Display:
    fahrenheit = Form("°F", 1, convert.fahrenheit_from_celsius, 1.8)
    return Display(name, title, short, Form("°C", 1), fahrenheit)


def _same(name: str, title: str, short: str, unit: str, decimals: int) -> Display:
    form = Form(unit, decimals)
    return Display(name, title, short, form, form)


def _scaled(
    name: str, title: str, si: Form, us_unit: str, us_decimals: int, shown: Callable[[float], float]
) -> Display:
    return Display(name, title, title.lower(), si, Form(us_unit, us_decimals, shown, shown(1.0) - shown(0.0)))


def _fahrenheit_apart(difference_k: float) -> float:
    return difference_k * 1.8


_ALL: Final = (
    _temperature("temperature_c", "Temperature", "temperature"),
    _same("rh_percent", "Relative humidity", "RH", "%", 1),
    _same("emc_percent", "Equilibrium moisture content", "EMC", "%", 1),
    _temperature("dew_point_c", "Dew point", "dew point"),
    _same("grains_per_pound", "Grains per pound", "grains per pound", "gr/lb", 1),
    _scaled("humidity_ratio_g_kg", "Humidity ratio", Form("g/kg", 1), "gr/lb", 1, convert.grains_per_pound_from_g_kg),
    _scaled("vapour_pressure_kpa", "Vapour pressure", Form("kPa", 2), "inHg", 3, _inhg),
    _scaled("vpd_kpa", "Vapour pressure deficit", Form("kPa", 2), "inHg", 3, _inhg),
    _temperature("wet_bulb_c", "Wet bulb", "wet bulb"),
    _scaled("enthalpy_kj_kg", "Enthalpy", Form("kJ/kg", 1), "Btu/lb", 1, convert.enthalpy_btu_lb),
    _scaled(
        "absolute_humidity_g_m3", "Absolute humidity", Form("g/m³", 1), "gr/ft³", 2,
        convert.grains_per_cubic_foot_from_g_m3,
    ),
    _same("wood_mc_percent", "Wood moisture content", "wood MC", "%", 1),
    _temperature("surface_temperature_c", "Surface temperature", "surface temperature"),
    _same("slab_rh_percent", "Relative humidity in the slab", "slab RH", "%", 1),
    _temperature("slab_temperature_c", "Slab temperature", "slab temperature"),
    _scaled("pressure_kpa", "Air pressure", Form("kPa", 1), "inHg", 2, _inhg),
    _same("battery_percent", "Battery left", "battery", "%", 0),
    _same("rh_change_percent", "RH change in an hour", "RH change in an hour", "points", 1),
    _same("grains_change_gpp", "Grains per pound in an hour", "grains per pound change in an hour", "gr/lb", 1),
    _same("heading_out_hours", "Time until it goes out of range", "time until the window is left", "h", 1),
    _scaled("condensation_margin_c", "Warmer than the dew point by", Form("K", 1), "°F", 1, _fahrenheit_apart),
    _same("stuck_hours", "Unchanged for", "time without any change", "h", 0),
    _same("apart_percent", "RH apart from its neighbours", "RH difference from its neighbours", "points", 1),
    _same("mould_rh_percent", "Mean RH of 30 days", "mean RH of 30 days", "%", 1),
    _same("depression_gpp", "Grain depression", "grain depression", "gr/lb", 1),
    _same("mould_index", "Mould index (0 to 6)", "mould index (0 to 6)", "", 1),
    _same("board_mc_percent", "Boards' moisture content (estimate)", "the boards' mean MC (estimate)", "%", 1),
    _same("check_due_days", "Next check in", "time to the next check", "days", 0),
    _same("check_overdue_days", "Check overdue by", "time since the check was due", "days", 0),
    _same("adapter_down_minutes", "Down for", "time without readings from it", "min", 0),
    _same("disk_free_mb", "Free on the disk", "free space on the disk", "MB", 0),
    _same("clock_off_minutes", "Clock wrong by", "clock off by", "min", 0),
    _same("clock_unsynchronised_hours", "Clock not set for", "time without a time server", "h", 0),
    _same("behind_hours", "Forwarding behind by", "age of what is not forwarded", "h", 1),
    _same("signal_dbm", "Signal strength", "signal", "dBm", 0),
)  # fmt: skip

DISPLAYS: Final[Mapping[str, Display]] = {display.name: display for display in _ALL}
"""Every quantity that is ever shown, by its one name, in the order in which people like to read them."""


def display(quantity: str) -> Display:
    """Give how a quantity is said; one that is not known is shown bare, under its own name."""
    return DISPLAYS.get(quantity) or _same(quantity, quantity, quantity, "", 2)


def title(quantity: str) -> str:
    """Give a quantity's name for the head of a column or tile: "Relative humidity"."""
    return display(quantity).title


def short(quantity: str) -> str:
    """Give a quantity's name for the middle of a sentence: "RH", "temperature"."""
    return display(quantity).short


def unit(quantity: str, units: Units = Units.SI) -> str:
    """Give the unit in which a quantity is printed."""
    return display(quantity).form(units).unit


def number(value: float | None, decimals: int) -> str:
    """Print a number with a true minus sign, never "-0.0"; "–" for None and for what is not finite."""
    if value is None or not math.isfinite(value):
        return NOTHING
    text = f"{abs(value):.{decimals}f}"
    return f"{MINUS}{text}" if value < 0 and float(text) != 0 else text


def in_units(quantity: str, value: float, units: Units = Units.SI) -> float:
    """Convert a value in the quantity's own unit to the one in which it is printed (for charts and JSON)."""
    return float(display(quantity).form(units).shown(value))


def figure(quantity: str, value: float | None, units: Units = Units.SI) -> Figure:
    """Give number and unit of a value (in the quantity's own unit) as printed: ("52.3", "%")."""
    form = display(quantity).form(units)
    return Figure(number(None if value is None else float(form.shown(value)), form.decimals), form.unit)


def amount(quantity: str, value: float | None, units: Units = Units.SI) -> str:
    """Give a value as printed: "52.3 %"."""
    return str(figure(quantity, value, units))


def limit(quantity: str, value: float, units: Units = Units.SI) -> str:
    """Give a bound as printed, without idle zeros: "50 %", "18.5 °C"."""
    form = display(quantity).form(units)
    return str(Figure(_trimmed(float(form.shown(value)), max(form.decimals, 1)), form.unit))


def difference(quantity: str, value: float, units: Units = Units.SI) -> str:
    """Give the size of a difference as printed, without sign: 2 °C apart is "2.0 °C", or "3.6 °F".

    Percentages are apart by points: "10.5 points", as "10.5 %" could be read as a tenth of the figure itself.
    """
    form = display(quantity).form(units)
    unit = "points" if form.unit == "%" else form.unit
    return str(Figure(number(abs(value) * form.scale, form.decimals), unit))


def bounds_words(quantity: str, bounds: Bounds, units: Units = Units.SI) -> str:
    """Say bounds: "30 to 50 %", "at most 65 %", "at least 15 °C"."""
    if bounds.low is None:
        return f"at most {limit(quantity, bounds.high or 0.0, units)}"
    if bounds.high is None:
        return f"at least {limit(quantity, bounds.low, units)}"
    form = display(quantity).form(units)
    low = _trimmed(float(form.shown(bounds.low)), max(form.decimals, 1))
    return f"{low} to {limit(quantity, bounds.high, units)}"


def _trimmed(value: float, decimals: int) -> str:
    text = number(value, decimals)
    return text.rstrip("0").rstrip(".") if "." in text else text


def length_words(value_mm: float, units: Units) -> str:
    """Say a length of wood: "19 mm", "0.75 in"."""
    return f"{inches_from_millimetres(value_mm):.3g} in" if units is Units.US else f"{value_mm:.4g} mm"
