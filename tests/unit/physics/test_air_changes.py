"""Air warmed, cooled and mixed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.physics import air, wood
from ingest.physics.air_changes import mix, rh_at_temperature_percent, temperature_for_emc_c, temperature_for_rh_c


def test_opening_the_window_in_winter_dries_the_room() -> None:
    """Outdoor air of 0 °C and 90 % has 23 % RH at 21 °C: the usual figure, recomputed from the two vapour pressures."""
    rh = rh_at_temperature_percent(0.0, 90.0, 21.0)
    assert rh == pytest.approx(100.0 * air.vapour_pressure_kpa(0.0, 90.0) / air.saturation_vapour_pressure_kpa(21.0))
    assert 21.0 < rh < 24.0


def test_cooling_below_the_dew_point_is_not_known() -> None:
    """There it rains: the RH of air that has lost water cannot be told from temperatures alone."""
    assert math.isnan(rh_at_temperature_percent(20.0, 60.0, 5.0))


@given(st.floats(-20.0, 40.0), st.floats(5.0, 99.0), st.floats(5.0, 99.0))
def test_temperature_for_rh_gives_that_rh(t: float, rh: float, wanted: float) -> None:
    """Warming to the temperature found gives the RH that was wanted."""
    warmed = temperature_for_rh_c(t, rh, wanted)
    assert rh_at_temperature_percent(t, rh, warmed) == pytest.approx(wanted, rel=1e-6)


@given(st.floats(-10.0, 30.0), st.floats(20.0, 95.0), st.floats(4.0, 16.0))
def test_temperature_for_emc_gives_that_emc(t: float, rh: float, wanted: float) -> None:
    """Wood's EMC in the air so warmed is the EMC that was wanted."""
    warmed = temperature_for_emc_c(t, rh, wanted)
    if not math.isnan(warmed):
        new_rh = rh_at_temperature_percent(t, rh, warmed)
        assert wood.emc_percent(warmed, new_rh) == pytest.approx(wanted, abs=1e-6)


def test_emc_falls_all_the_way_as_air_is_warmed() -> None:
    """The search by halving rests on this: from the dew point to 150 °C, EMC only falls."""
    warm = np.linspace(0.0, 150.0, 2000)
    for t, rh in ((0.0, 95.0), (-15.0, 80.0), (20.0, 60.0), (35.0, 90.0)):
        path = warm[warm > air.dew_point_c(t, rh)]
        emc = wood.emc_percent(path, rh_at_temperature_percent(np.full_like(path, t), np.full_like(path, rh), path))
        assert np.all(np.diff(emc) < 0.0)


@given(st.floats(0.0, 40.0), st.floats(5.0, 90.0), st.floats(0.0, 40.0), st.floats(5.0, 90.0), st.floats(0.0, 1.0))
def test_mixing_conserves_water_and_heat(t1: float, rh1: float, t2: float, rh2: float, share: float) -> None:
    """Humidity ratio and enthalpy of the mixture are the mass-weighted means of the two."""
    mixed = mix((t1, rh1), (t2, rh2), share)
    w = share * air.humidity_ratio_g_kg(t1, rh1) + (1 - share) * air.humidity_ratio_g_kg(t2, rh2)
    h = share * air.enthalpy_kj_kg(t1, rh1) + (1 - share) * air.enthalpy_kj_kg(t2, rh2)
    assert mixed.humidity_ratio_g_kg == pytest.approx(w, rel=1e-12)
    if not math.isnan(mixed.rh_percent):
        assert air.enthalpy_kj_kg(mixed.temperature_c, mixed.rh_percent) == pytest.approx(h, rel=1e-9, abs=1e-9)


def test_warm_moist_and_cold_air_make_fog() -> None:
    """Two streams, each below saturation, can mix to more than saturation: then RH is not known, the rest is."""
    mixed = mix((30.0, 98.0), (0.0, 98.0), 0.5)
    assert math.isnan(mixed.rh_percent)
    assert 14.0 < mixed.temperature_c < 16.5
