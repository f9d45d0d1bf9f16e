"""The mould index as a machine: growth, decline, gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.physics import mould


@settings(max_examples=25)
@given(st.integers(0, 10_000), st.sampled_from(mould.SENSITIVITIES))
def test_the_index_stays_within_its_scale(seed: int, kind: mould.Sensitivity) -> None:
    """Any climate at all: never below 0, never above 6."""
    rng = np.random.default_rng(seed)
    t, rh = rng.uniform(-30.0, 60.0, 500), rng.uniform(1.0, 100.0, 500)
    history = mould.mould_index(t, rh, sensitivity=kind, start=float(rng.uniform(0.0, 6.0)))
    assert np.all((history >= 0.0) & (history <= 6.0))


def test_a_dry_room_never_moulds() -> None:
    """Below the critical RH the index stays at zero for a year."""
    assert mould.mould_index(np.full(8760, 21.0), np.full(8760, 65.0)).max() == 0.0


def test_more_sensitive_materials_mould_sooner() -> None:
    """In one damp climate the classes stand in their order."""
    t, rh = np.full(24 * 90, 22.0), np.full(24 * 90, 95.0)
    ends = [mould.mould_index(t, rh, sensitivity=kind)[-1] for kind in mould.SENSITIVITIES]
    assert ends == sorted(ends, reverse=True)
    assert ends[0] > 3.0 > ends[-1]


def test_decline_is_the_published_stair() -> None:
    """Six hours fall at 0.032 a day, to a day nothing, from then 0.016 a day."""
    t, rh = np.full(48, 20.0), np.full(48, 40.0)
    history = mould.mould_index(t, rh, start=3.0)
    assert history[5] == pytest.approx(3.0 - 6 * 0.032 / 24)
    assert history[23] == pytest.approx(history[5])
    assert history[47] == pytest.approx(history[23] - 24 * 0.016 / 24)


def test_decline_factor_slows_it() -> None:
    """A material on which growth hardly dies back keeps it."""
    t, rh = np.full(240, 20.0), np.full(240, 40.0)
    pine = 3.0 - mould.mould_index(t, rh, start=3.0)[-1]
    slow = 3.0 - mould.mould_index(t, rh, start=3.0, decline_factor=0.1)[-1]
    assert slow == pytest.approx(0.1 * pine)


def test_a_gap_stands_still() -> None:
    """Where nothing was measured the index neither grows nor declines, and the decline's clock waits."""
    t, rh = np.full(48, 20.0), np.full(48, 95.0)
    rh[10:30] = np.nan
    history = mould.mould_index(t, rh)
    assert np.all(history[10:30] == history[9])
    assert history[30] > history[29]


def test_the_original_model_grows_by_its_own_factor() -> None:
    """Below 1 both forms agree for resawn pine; above, k1 is 2 / (tv / tm - 1); spruce and dried surfaces differ."""
    t, rh = np.full(24 * 40, 20.0), np.full(24 * 40, 97.0)
    later, original = mould.mould_index(t, rh), mould.mould_index_1999(t, rh)
    young = later < 1.0
    np.testing.assert_allclose(original[young], later[young], rtol=1e-12)
    k1 = 2.0 / (mould.weeks_to_visible_growth(20.0, 97.0) / mould.weeks_to_first_growth(20.0, 97.0) - 1.0)
    assert 1.5 < k1 < 2.5
    spruce = mould.mould_index_1999(t, rh, wood=mould.Wood.SPRUCE)
    dried = mould.mould_index_1999(t, rh, surface=mould.Surface.KILN_DRIED)
    assert spruce[100] < original[100] < dried[100]


def test_steps_of_other_lengths_agree() -> None:
    """Ten-minute and hourly steps of one climate give one index."""
    hourly = mould.mould_index(np.full(24 * 60, 20.0), np.full(24 * 60, 93.0))
    fine = mould.mould_index(np.full(24 * 360, 20.0), np.full(24 * 360, 93.0), hours_per_step=1.0 / 6.0)
    assert fine[-1] == pytest.approx(hourly[-1], abs=0.01)


def test_a_wet_surface_counts_as_saturated_and_nonsense_as_unknown() -> None:
    """RH a little above 100 % (a wet surface) grows as 100 % does; below 0 % there is nothing to judge."""
    wet, full = (mould.mould_index(np.full(240, 20.0), np.full(240, rh)) for rh in (100.4, 100.0))
    np.testing.assert_array_equal(wet, full)
    assert mould.mould_index(np.full(48, 20.0), np.full(48, -5.0), start=2.0)[-1] == 2.0


def test_wrong_histories_are_refused() -> None:
    """Unlike shapes and steps that are too long raise, naming the matter."""
    with pytest.raises(ValueError, match="alike"):
        mould.mould_index(np.zeros(3), np.zeros(4))
    with pytest.raises(ValueError, match="hours"):
        mould.mould_index(np.zeros(3), np.zeros(3), hours_per_step=24.0)


def test_the_monthly_criterion_of_iso_13788() -> None:
    """A month's mean of 80 % at the surface is still within, above it not."""
    assert mould.monthly_surface_rh_exceeds(80.0) is False
    assert mould.monthly_surface_rh_exceeds(80.1) is True
    assert np.array_equal(mould.monthly_surface_rh_exceeds(np.array([70.0, 90.0])), [False, True])
