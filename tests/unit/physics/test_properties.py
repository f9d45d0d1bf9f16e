"""What must hold of surfaces, salts, products, diffusion and mould whatever any table says (Hypothesis)."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.physics import air, mould, movement, surface, uncertainty
from ingest.physics.diffusivity import transverse_diffusivity
from ingest.physics.mould_march import MouldState
from ingest.physics.products import isotherms, product_emc_percent
from ingest.physics.salts import SALTS, salt_rh_percent

indoor = st.floats(-10.0, 40.0)
humidities = st.floats(2.0, 99.0)


@given(indoor, humidities, st.floats(-20.0, 45.0))
def test_margin_and_surface_rh_tell_one_story(t: float, rh: float, at: float) -> None:
    """A surface is above the dew point exactly where the air on it is below 100 %."""
    margin = surface.condensation_margin_c(t, rh, at)
    if abs(margin) > 1e-6:
        assert (margin > 0.0) == (surface.surface_rh_percent(t, rh, at) < 100.0)


@given(st.floats(-20.0, 40.0), st.floats(-20.0, 40.0), st.floats(0.0, 1.0))
def test_a_surface_lies_between_its_two_airs(indoors: float, outdoors: float, factor: float) -> None:
    """fRsi from 0 to 1 moves the surface from the outdoor temperature to the indoor one."""
    low, high = sorted((indoors, outdoors))
    assert low - 1e-9 <= surface.surface_temperature_c(indoors, outdoors, factor) <= high + 1e-9


@given(st.sampled_from(list(SALTS)), st.floats(0.0, 50.0))
def test_salts_are_humidities_that_drift_slowly(formula: str, t: float) -> None:
    """Within its range each salt gives 5..100 %, less than 0.6 % RH apart per degree; outside it nothing."""
    low, high = SALTS[formula].range_c
    here = salt_rh_percent(formula, t)
    if low <= t <= high - 1.0:
        assert 5.0 < here < 100.0
        assert abs(salt_rh_percent(formula, t + 1.0) - here) < 0.6
    elif t > high:
        assert math.isnan(here)


@given(st.sampled_from(list(isotherms())), st.floats(30.0, 89.0), st.floats(0.01, 1.0))
def test_products_sorb_more_in_damper_air(product: str, rh: float, more: float) -> None:
    """Every product's isotherm rises all the way."""
    assert product_emc_percent(product, rh + more) > product_emc_percent(product, rh)


@given(st.floats(0.0, 29.0), st.floats(-20.0, 70.0), st.floats(0.3, 0.9))
def test_moisture_moves_faster_in_warmer_damper_lighter_wood(mc: float, t: float, gravity: float) -> None:
    """Siau's coefficient rises with temperature and moisture and falls with density."""
    here = transverse_diffusivity(mc, t, gravity)
    assert here > 0.0
    assert transverse_diffusivity(mc, t + 1.0, gravity) > here
    assert transverse_diffusivity(mc + 0.5, t, gravity) > here
    assert transverse_diffusivity(mc, t, gravity + 0.05) < here


@given(st.floats(0.0005, 0.003), st.floats(0.001, 0.005), st.floats(0.0, 90.0))
def test_a_cut_in_between_moves_in_between(radial: float, tangential: float, angle: float) -> None:
    """Any ring angle gives a coefficient between the radial and the tangential one."""
    low, high = sorted((radial, tangential))
    assert low - 1e-12 <= float(movement.across(radial, tangential, angle)) <= high + 1e-12


@given(indoor, humidities, st.floats(0.0, 1.0), st.floats(0.0, 3.0))
def test_a_worse_sensor_makes_no_figure_surer(t: float, rh: float, u_t: float, u_rh: float) -> None:
    """Uncertainties are never negative and grow with either accuracy; a perfect sensor leaves none."""
    for estimate in (uncertainty.dew_point_uncertainty_c, uncertainty.grains_per_pound_uncertainty):
        here = estimate(t, rh, u_t, u_rh).standard
        assert 0.0 <= here <= estimate(t, rh, u_t + 0.1, u_rh).standard
        assert here <= estimate(t, rh, u_t, u_rh + 0.1).standard
        assert estimate(t, rh, 0.0, 0.0).standard == 0.0


@settings(max_examples=25)
@given(st.integers(0, 10_000), st.integers(1, 399), st.sampled_from(mould.SENSITIVITIES))
def test_a_mould_history_may_come_in_parts(seed: int, cut: int, kind: mould.Sensitivity) -> None:
    """Carried on from any instant, with steps of any length, the index is that of the whole history at once."""
    rng = np.random.default_rng(seed)
    t, rh, hours = rng.uniform(-5.0, 40.0, 400), rng.uniform(50.0, 100.0, 400), rng.uniform(0.1, 6.0, 400)
    rh[rng.integers(0, 400, 10)] = np.nan
    whole, _ = mould.mould_index_onward(MouldState(), t, rh, hours, sensitivity=kind)
    first, state = mould.mould_index_onward(MouldState(), t[:cut], rh[:cut], hours[:cut], sensitivity=kind)
    second, _ = mould.mould_index_onward(state, t[cut:], rh[cut:], hours[cut:], sensitivity=kind)
    np.testing.assert_array_equal(np.concatenate([first, second]), whole)


def test_decline_does_not_hang_on_the_length_of_steps() -> None:
    """Two days of dry air in 1 h or 5 h steps end at one index: the published stair, integrated."""
    ends = []
    for step in (1.0, 5.0, 6.0, 0.25):
        count = round(30.0 / step)
        hours, dry = np.full(count, step), np.full(count, 40.0)
        ends.append(mould.mould_index_onward(MouldState(3.0), np.full(count, 20.0), dry, hours)[0][-1])
    assert ends == pytest.approx([3.0 - (6.0 * 0.032 + 6.0 * 0.016) / 24.0] * 4, rel=1e-12)


def test_weeks_to_index_says_when_or_never() -> None:
    """Damp air: after t_m (Hukka and Viitanen 1999) within 1 %; dry air, or a class that stops lower: never."""
    assert mould.weeks_to_index(20.0, 97.0, 1.0) == pytest.approx(mould.weeks_to_first_growth(20.0, 97.0), rel=0.01)
    assert math.isnan(mould.weeks_to_index(20.0, 60.0, 1.0))
    assert math.isnan(mould.weeks_to_index(20.0, 90.0, 3.0, sensitivity=mould.RESISTANT))


@given(st.floats(-60.0, 60.0), st.floats(1.0, 100.0), st.floats(60.0, 110.0))
def test_degree_of_saturation_is_below_rh_and_specific_below_ratio(t: float, rh: float, p: float) -> None:
    """W/Ws never exceeds RH, W/(1 + W) never W, and both meet at saturation and in dry air."""
    degree = air.degree_of_saturation_percent(t, rh, p)
    if not math.isnan(degree):
        assert degree <= rh * (1.0 + 1e-9)
        assert air.specific_humidity_g_kg(t, rh, p) <= air.humidity_ratio_g_kg(t, rh, p)
