"""First-order uncertainties against Monte Carlo (JCGM 101), and against differences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.physics import air, uncertainty, wood

CLIMATES = [(20.0, 50.0), (5.0, 85.0), (28.0, 30.0), (-5.0, 70.0)]
CASES: list[tuple[Callable[..., object], Callable[..., uncertainty.Uncertainty[float]]]] = [
    (air.dew_point_c, uncertainty.dew_point_uncertainty_c),
    (air.grains_per_pound, uncertainty.grains_per_pound_uncertainty),
    (wood.emc_percent, uncertainty.emc_uncertainty_percent),
]


@pytest.mark.parametrize(("quantity", "estimate"), CASES)
@pytest.mark.parametrize(("t", "rh"), CLIMATES)
def test_first_order_meets_monte_carlo(
    quantity: Callable[..., object], estimate: Callable[..., uncertainty.Uncertainty[float]], t: float, rh: float
) -> None:
    """With ±0.3 °C and ±2 % RH (k = 2) the spread of 200 000 draws is the stated one within 2 %."""
    u_t, u_rh = 0.15, 1.0
    rng = np.random.default_rng(7)
    draws = np.asarray(quantity(t + u_t * rng.standard_normal(200_000), rh + u_rh * rng.standard_normal(200_000)))
    stated = estimate(t, rh, u_t, u_rh)
    assert draws.std() == pytest.approx(stated.standard, rel=0.02)
    assert stated.expanded == pytest.approx(2.0 * stated.standard)


@given(st.floats(-20.0, 45.0), st.floats(5.0, 95.0))
def test_sensitivities_are_the_derivatives(t: float, rh: float) -> None:
    """Analytic slopes of dew point and grains equal central differences."""
    d = 1e-4
    dew = uncertainty.dew_point_sensitivities(t, rh)
    assert dew.per_kelvin == pytest.approx(
        (air.dew_point_c(t + d, rh) - air.dew_point_c(t - d, rh)) / (2 * d), rel=2e-3
    )
    assert dew.per_rh_percent == pytest.approx(
        (air.dew_point_c(t, rh + d) - air.dew_point_c(t, rh - d)) / (2 * d), rel=2e-3
    )
    grains = uncertainty.grains_per_pound_sensitivities(t, rh)
    by_rh = (air.grains_per_pound(t, rh + d) - air.grains_per_pound(t, rh - d)) / (2 * d)
    by_t = (air.grains_per_pound(t + d, rh) - air.grains_per_pound(t - d, rh)) / (2 * d)
    assert grains.per_rh_percent == pytest.approx(by_rh, rel=1e-5)
    assert grains.per_kelvin == pytest.approx(by_t, rel=2e-3)


def test_a_stated_limit_is_a_rectangle() -> None:
    """±2 % with nothing more said is 2/√3 (GUM 4.3.7)."""
    assert uncertainty.standard_from_limits(2.0) == pytest.approx(1.1547, abs=1e-4)


def test_arrays_and_unknown_readings() -> None:
    """Arrays go through, and an unknown reading has an unknown uncertainty."""
    result = uncertainty.emc_uncertainty_percent(np.array([20.0, np.nan]), np.array([50.0, 50.0]), 0.15, 1.0)
    assert result.standard.shape == (2,)
    assert np.isnan(result.standard[1])
