"""A single point on the command line: what is typed, what is told, what to be careful about."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner, Result

from ingest.cli.main import main
from ingest.cli.tables.outputs import US_QUANTITIES
from ingest.physics.derived import DERIVED
from ingest.present import digits


def point(*options: str) -> Result:
    """Run `lumberroom derive` with these options."""
    return CliRunner().invoke(main, ["derive", *options])


def values(*options: str) -> dict[str, float]:
    """Give the point's JSON."""
    result = point(*options, "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.stdout)
    assert isinstance(document, dict)
    return document


def test_json_names_every_quantity_with_its_unit() -> None:
    """The JSON of a point holds what was given, every derived quantity, and the cautions, and nothing else."""
    assert list(values("--temperature", "21", "--humidity", "45")) == [
        "temperature_c", "rh_percent", "pressure_kpa", *DERIVED, "cautions",
    ]  # fmt: skip


def test_printed_worked_examples_of_dew_points() -> None:
    """20 °C 70 % has its dew point at 14.4 °C, 22 °C 70 % at 16.3 °C, as printed in two building-trade tables (0.1 °C).

    Sources: a German painters' and a drying trade's dew-point table (tests/reference/psychro_worked_examples.csv).
    """
    assert values("--temperature", "20", "--humidity", "70")["dew_point_c"] == pytest.approx(14.4, abs=0.1)
    assert values("--temperature", "22", "--humidity", "70")["dew_point_c"] == pytest.approx(16.3, abs=0.1)


@pytest.mark.parametrize(
    ("options", "temperature_c", "pressure_kpa"),
    [
        (("--temperature", "21,5", "--pressure", "84"), 21.5, 84.0),
        (("--temperature", "70F", "--pressure", "840 hPa"), 21.111111, 84.0),
        (("--temperature", "70 °f", "--pressure", "840mbar"), 21.111111, 84.0),
        (("--temperature", "70", "--pressure", "24.8", "--units", "us"), 21.111111, 83.98245),
        (("--temperature", "21C", "--elevation", "1640.42 ft", "--units", "us"), 21.0, 95.461),
        (("--temperature", "-5", "--elevation", "0"), -5.0, 101.325),
    ],
)
def test_units_typed_and_units_meant(options: tuple[str, ...], temperature_c: float, pressure_kpa: float) -> None:
    """A suffix says the unit; a bare number is SI, or with --units us in the US unit of that quantity.

    500 m have 95.461 kPa in the standard atmosphere: ASHRAE Fundamentals 2017, ch. 1, table 1.
    """
    found = values(*options, "--humidity", "45%")
    assert found["temperature_c"] == pytest.approx(temperature_c, abs=1e-5)
    assert found["pressure_kpa"] == pytest.approx(pressure_kpa, rel=1e-4)


def test_people_read_rounded_figures_in_their_units() -> None:
    """The table for people agrees with what pages and mails print, in either system of units."""
    si = point("--temperature", "70F", "--humidity", "45").stdout
    us = point("--temperature", "70F", "--humidity", "45", "--units", "us").stdout
    assert f"Dew point{digits.figure('dew_point_c', 8.706).number:>30} °C" in si
    assert "Equilibrium moisture content        8.5 %" in si
    assert "47.7 °F" in us
    assert "°C" not in us


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--temperature", "21", "--humidity", "45"), "Air pressure at sea level is assumed"),
        (("--temperature", "21", "--humidity", "98"), "EMC is published for 5 to 95 % RH"),
        (("--temperature", "-10", "--humidity", "50"), "hoar frost forms from"),
        (("--temperature", "20", "--humidity", "0"), "no dew point"),
        (("--temperature", "99", "--humidity", "100", "--pressure", "84"), "cannot be at this pressure"),
        (("--temperature", "21", "--humidity", "45", "--elevation", "0"), "Check with a meter"),
    ],
)
def test_cautions_say_where_the_figures_stop_holding(options: tuple[str, ...], words: str) -> None:
    """Outside the published range, below freezing, at assumed pressure: each is said, in print and in JSON."""
    assert words in " ".join(point(*options).stdout.split())
    assert any(words in caution for caution in json.loads(point(*options, "--json").stdout)["cautions"])


def test_pressure_is_not_said_to_be_assumed_when_given() -> None:
    """Who gives the elevation is not told to give it."""
    assert "assumed" not in point("--temperature", "21", "--humidity", "45", "--elevation", "300").stdout


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--temperature", "21"), "--humidity: a single point needs it"),
        (("--json",), "--temperature: a single point needs it"),
        (("--temperature", "warm", "--humidity", "45"), "--temperature: 'warm' is not a number with a unit"),
        (("--temperature", "21K", "--humidity", "45"), "'K' is not a unit for it. Give it as 21.5, 21.5C or 70F."),
        (("--temperature", "21", "--humidity", "120"), "--humidity: 120 is outside 0 to 100 %"),
        (("--temperature", "21", "--humidity", "45", "--pressure", "1013"), "--pressure: 1013 is outside 30 to 120"),
        (("--temperature", "21", "--humidity", "45", "--pressure", "84", "--elevation", "9"), "Give one of the two"),
        (("some.csv", "--temperature", "21", "--humidity", "45"), "some.csv: a file and a single point at once"),
    ],
)
def test_options_that_cannot_be_are_refused_with_a_mend(options: tuple[str, ...], words: str) -> None:
    """A mistake on the command line ends with exit code 2 and a sentence that says how to mend it."""
    result = point(*options)
    assert result.exit_code == 2
    assert words in result.stderr


def test_us_figures_agree_with_those_on_pages_and_in_mails() -> None:
    """A US column and the figure that ingest.present prints for it are the same conversion."""
    for name, quantity in US_QUANTITIES.items():
        assert float(quantity.convert(12.5)) == pytest.approx(  # type: ignore[arg-type]
            digits.in_units(quantity.source, 12.5, digits.Units.US), rel=1e-12
        ), name


def test_help_has_examples_and_says_what_comes_out() -> None:
    """--help names every column, shows examples and tells the exit codes."""
    text = point("--help").stdout
    assert all(name in text for name in [*DERIVED, "temperature_f", "elevation_m", "Examples:", "Exit codes"])
