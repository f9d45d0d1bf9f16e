"""Figures as people read them."""

import math

import pytest

from adapters.contract import QUANTITIES
from ingest.present.digits import DISPLAYS, Units, amount, bounds_words, difference, figure, limit, number, title
from ingest.site.places import Bounds


@pytest.mark.parametrize(
    ("quantity", "value", "units", "said"),
    [
        ("rh_percent", 52.34, Units.SI, "52.3 %"),
        ("temperature_c", 21.0, Units.SI, "21.0 °C"),
        ("temperature_c", 21.0, Units.US, "69.8 °F"),
        ("temperature_c", -0.04, Units.SI, "0.0 °C"),
        ("temperature_c", -3.25, Units.SI, "−3.2 °C"),
        ("humidity_ratio_g_kg", 10.0, Units.US, "70.0 gr/lb"),
        ("emc_percent", None, Units.SI, "–"),
        ("rh_percent", math.nan, Units.US, "–"),
        ("never_heard_of", 1.0, Units.SI, "1.00"),
    ],
)
def test_a_value_is_said_with_its_digits_and_unit(quantity: str, value: float | None, units: Units, said: str) -> None:
    """A value comes out in the person's units with as many digits as mean something; what is missing is a dash."""
    assert amount(quantity, value, units) == said


def test_enthalpy_in_us_units_counts_from_zero_fahrenheit() -> None:
    """Saturated air at 20 °C: 57.55 kJ/kg and, at 68 °F, 32.42 Btu/lb (ASHRAE tables of moist air, from memory)."""
    number_said, unit = figure("enthalpy_kj_kg", 57.55, Units.US)
    assert unit == "Btu/lb"
    assert float(number_said) == pytest.approx(32.42, abs=0.06)


def test_differences_scale_without_the_offset() -> None:
    """Two degrees Celsius apart is 3.6 degrees Fahrenheit apart, never 35.6."""
    assert difference("temperature_c", -2.0, Units.US) == "3.6 °F"
    assert difference("rh_percent", 3.0) == "3.0 points"


def test_bounds_are_said_without_idle_zeros() -> None:
    """Bounds read as a person writes them, open ends included."""
    assert bounds_words("rh_percent", Bounds(30.0, 50.0)) == "30 to 50 %"
    assert bounds_words("temperature_c", Bounds(low=15.5)) == "at least 15.5 °C"
    assert bounds_words("rh_percent", Bounds(high=65.0)) == "at most 65 %"
    assert bounds_words("temperature_c", Bounds(18.0, 24.0), Units.US) == "64.4 to 75.2 °F"
    assert limit("emc_percent", 10.0) == "10 %"


def test_every_measured_quantity_has_a_form() -> None:
    """No quantity that an adapter may deliver falls back to its bare name."""
    assert set(QUANTITIES) <= set(DISPLAYS)
    assert title("rh_percent") == "Relative humidity"


def test_numbers_keep_zero_positive() -> None:
    """A tiny negative number is nought, not minus nought."""
    assert number(-0.0001, 2) == "0.00"
