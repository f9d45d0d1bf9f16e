"""Published weather years: the dew point from temperature and RH against the file's own, each in its convention."""

from __future__ import annotations

import csv
from collections.abc import Callable
from importlib.resources import files

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.physics import air, wood

Array = NDArray[np.float64]


@pytest.fixture
def sand_point() -> tuple[Array, Array, Array]:
    """Temperature [°C], RH [%] and dew point [°C] of the TMY3 year 703165 (Sand Point, US NREL) packaged with pvlib."""
    text = files("pvlib").joinpath("data/703165TY.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()[1:]))
    t, rh, dew = (np.array([float(row[c]) for row in rows]) for c in ("Dry-bulb (C)", "RHum (%)", "Dew-point (C)"))
    return t, rh, dew


def test_sand_point_follows_ice_below_zero(sand_point: tuple[Array, Array, Array]) -> None:
    """99 % of 8760 hours within 0.15 °C, RH taken over ice below 0 °C and the file's dew point as our frost point."""
    t, rh_as_filed, filed = sand_point
    rh = air.rh_over_water_percent(t, rh_as_filed)
    frost = air.frost_point_c(t, rh)
    ours = np.where(np.isnan(frost), air.dew_point_c(t, rh), frost)
    assert filed.size == 8760
    assert (np.abs(ours - filed) <= 0.15).mean() >= 0.99


def test_sand_point_above_zero_needs_no_convention(sand_point: tuple[Array, Array, Array]) -> None:
    """Where the filed dew point is above 0 °C, `dew_point_c` as it is: 99 % of the hours within 0.15 °C."""
    t, rh, filed = sand_point
    above = filed > 0.0
    assert above.sum() > 4000
    assert (np.abs(air.dew_point_c(t, rh) - filed)[above] <= 0.15).mean() >= 0.99


def test_sand_point_read_as_water_below_zero_would_be_wrong(sand_point: tuple[Array, Array, Array]) -> None:
    """The two conventions are told apart: over water a third of the hours miss 0.15 °C."""
    t, rh, filed = sand_point
    assert (np.abs(air.dew_point_c(t, rh) - filed) <= 0.15).mean() < 0.70


def test_a_year_in_our_own_convention(columns: Callable[..., list[Array]]) -> None:
    """NSRDB 2023, dew points to -25 °C over supercooled water: every sampled half-hour within 0.1 °C."""
    t, rh, filed = columns("weather_nsrdb_2023_sample", "temperature_c", "rh_percent", "dew_point_c")
    assert (filed < 0.0).sum() > 900
    np.testing.assert_allclose(air.dew_point_c(t, rh), filed, atol=0.1)


def test_mean_of_hourly_emc_is_not_emc_of_the_mean_climate(sand_point: tuple[Array, Array, Array]) -> None:
    """Outdoors the two differ by more than half a per cent MC: a figure must say which it is."""
    t, rh, _ = sand_point
    mean_of_emc = float(wood.emc_percent(t, rh).mean())
    emc_of_mean = wood.emc_percent(float(t.mean()), float(rh.mean()))
    assert mean_of_emc - emc_of_mean > 0.5
