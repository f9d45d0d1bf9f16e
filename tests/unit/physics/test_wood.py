"""EMC and its inverse: what must hold everywhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.physics import wood

temperatures = st.floats(-37.0, 120.0)  # where the equation has a meaning
humidities = st.floats(0.1, 100.0)


@given(temperatures, humidities)
def test_rh_for_emc_inverts_emc(t: float, rh: float) -> None:
    """The RH that holds an EMC is the RH that gave it, to 1e-6 % RH."""
    assert wood.rh_for_emc_percent(t, wood.emc_percent(t, rh)) == pytest.approx(rh, abs=1e-6)


@given(temperatures, st.floats(0.0, 99.0), st.floats(0.01, 1.0))
def test_emc_rises_with_rh(t: float, rh: float, more: float) -> None:
    """More RH at one temperature always means moister wood."""
    assert wood.emc_percent(t, rh + more) > wood.emc_percent(t, rh)


@given(st.floats(10.0, 100.0), st.floats(15.0, 95.0))
def test_emc_falls_with_temperature_at_constant_rh(t: float, rh: float) -> None:
    """Warmer wood at the same RH holds less water."""
    assert wood.emc_percent(t + 1.0, rh) < wood.emc_percent(t, rh)


@given(st.floats(-30.0, 100.0), st.floats(2.0, 97.0))
def test_slopes_are_the_derivatives(t: float, rh: float) -> None:
    """The analytic slopes equal central differences."""
    slopes = wood.emc_slopes(t, rh)
    by_t = (wood.emc_percent(t + 1e-3, rh) - wood.emc_percent(t - 1e-3, rh)) / 2e-3
    by_rh = (wood.emc_percent(t, rh + 1e-3) - wood.emc_percent(t, rh - 1e-3)) / 2e-3
    assert slopes.per_kelvin == pytest.approx(by_t, abs=2e-7)
    assert slopes.per_rh_percent == pytest.approx(by_rh, rel=1e-6)


def test_no_rh_holds_an_emc_beyond_the_equation() -> None:
    """Above what 100 % RH gives, and below zero, there is no answer; zero is zero."""
    assert math.isnan(wood.rh_for_emc_percent(20.0, 35.0))
    assert math.isnan(wood.rh_for_emc_percent(20.0, -1.0))
    assert wood.rh_for_emc_percent(20.0, 0.0) == pytest.approx(0.0, abs=1e-9)


def test_scalars_arrays_nan_and_impossible_values() -> None:
    """Floats give floats; one bad value in an array is NaN and leaves its neighbours alone."""
    assert type(wood.emc_percent(20.0, 50.0)) is float
    assert type(wood.rh_for_emc_percent(20.0, 8.0)) is float
    values = wood.emc_percent(np.array([20.0, np.nan, 20.0, 300.0]), np.array([50.0, 50.0, 120.0, 50.0]))
    assert values[0] == wood.emc_percent(20.0, 50.0)
    assert np.isnan(values[1:]).all()
    rh = wood.rh_for_emc_percent(np.array([20.0, np.nan, 20.0]), np.array([8.0, 8.0, 99.0]))
    np.testing.assert_allclose(rh[0], wood.rh_for_emc_percent(20.0, 8.0), rtol=1e-12)
    assert np.isnan(rh[1:]).all()


def test_the_published_range_is_told_not_enforced() -> None:
    """Outside 5..95 % RH and the table's temperatures a value is computed, and flagged as extrapolated."""
    assert wood.within_emc_range(20.0, 50.0) is True
    assert wood.within_emc_range(-20.0, 50.0) is False
    assert wood.within_emc_range(20.0, 99.0) is False
    assert wood.within_emc_range(float("nan"), 50.0) is False
    assert not math.isnan(wood.emc_percent(-20.0, 99.0))
    flags = wood.within_emc_range(np.array([20.0, -20.0]), np.array([50.0, 50.0]))
    assert np.array_equal(flags, [True, False])


def test_the_sorption_band_encloses_emc_by_the_stated_ratio() -> None:
    """Adsorption is 0.8 of desorption, and EMC their geometric mean."""
    band = wood.sorption_band_percent(20.0, 50.0)
    assert band.adsorption_percent / band.desorption_percent == pytest.approx(0.8)
    assert band.adsorption_percent < band.emc_percent < band.desorption_percent


def test_there_is_no_emc_where_the_equation_has_no_meaning() -> None:
    """Below about -37 °C a coefficient of Eq. 4-5 turns negative: nothing is given there, and above it what is given
    rises with RH and is a moisture content."""
    cold = np.arange(-60.0, -37.0, 0.5)
    assert np.isnan(wood.emc_percent(cold, np.full(len(cold), 80.0))).all()
    for temperature_c in (-37.0, -36.0, -30.0, -20.0):
        emc = wood.emc_percent(np.full(99, temperature_c), np.arange(1.0, 100.0))
        assert (emc > 0).all()
        assert (emc < 35).all()
        assert (np.diff(emc) > 0).all()
