"""Moist air against two reference libraries: psychrolib (ASHRAE, no enhancement factor) and CoolProp's humid air."""

from __future__ import annotations

from collections.abc import Callable

import CoolProp.CoolProp as cp
import numpy as np
import psychrolib
import pytest
from numpy.typing import NDArray

from ingest.physics import air

Array = NDArray[np.float64]
Columns = Callable[..., list[Array]]
GRAINS = ("T_F", "rh_pct", "gpp")
PRESSURE_14_696_PSI_KPA = 14.696 * 6.894757293168361


@pytest.fixture
def grid(columns: Columns) -> list[Array]:
    """The stored grid of both libraries' answers, its rows at 0 °C and above (below, they mean RH over ice)."""
    names = (
        "T_C",
        "rh_pct",
        "p_Pa",
        "td_psy",
        "twb_psy",
        "W_psy",
        "pw_psy",
        "h_psy",
        "td_cp",
        "twb_cp",
        "W_cp",
        "h_cp",
    )
    values = columns("psychrometric_grid", *names)
    warm = values[0] >= 0
    assert warm.sum() > 200
    return [value[warm] for value in values]


def dew_or_frost(t: Array, rh: Array) -> Array:
    """Give what both libraries call dew point: over ice below 0 °C."""
    frost = air.frost_point_c(t, rh)
    return np.where(np.isnan(frost), air.dew_point_c(t, rh), frost)


def test_dew_and_frost_point_within_the_libraries_spread(grid: list[Array]) -> None:
    """Psychrolib to 0.0002 °C (except at 0 °C: it takes ice there); CoolProp to both's spread, 0.0205 °C."""
    t, rh, _, td_psy, _, _, _, _, td_cp, *_ = grid
    ours = dew_or_frost(t, rh)
    np.testing.assert_allclose(ours[t > 0], td_psy[t > 0], atol=2e-4)
    np.testing.assert_allclose(ours, td_cp, atol=0.0205)


def test_humidity_ratio_of_the_real_gas_within_a_twentieth_percent(grid: list[Array]) -> None:
    """With the enhancement factor, 0..50 °C, two pressures: 0.05 % of CoolProp (plus the grid's rounding)."""
    t, rh, p, *_, w_cp, _ = grid
    ours = air.humidity_ratio_g_kg(t, rh, p / 1000.0) / 1000.0
    np.testing.assert_allclose(ours, w_cp, rtol=5e-4, atol=6e-8)


def test_humidity_ratio_without_enhancement_is_psychrolib(grid: list[Array]) -> None:
    """Without the factor the same equations give the same figures (at 0 °C psychrolib takes ice: left out)."""
    t, rh, p, _, _, w_psy, *_ = (values[grid[0] > 0] for values in grid)
    ours = air.humidity_ratio_g_kg(t, rh, p / 1000.0, enhancement=False) / 1000.0
    np.testing.assert_allclose(ours, w_psy, rtol=2e-5, atol=6e-8)


def test_vapour_pressure_is_psychrolib(grid: list[Array]) -> None:
    """RH times the pure saturation pressure, the same equation: to the grid's rounding (0 °C left out)."""
    t, rh, _, _, _, _, pw_psy, *_ = (values[grid[0] > 0] for values in grid)
    np.testing.assert_allclose(air.vapour_pressure_kpa(t, rh) * 1000.0, pw_psy, atol=0.02, rtol=2e-5)


def test_wet_bulb_against_both(grid: list[Array]) -> None:
    """CoolProp within 0.015 °C, also at freezing; psychrolib within 0.03 °C away from where it switches otherwise."""
    t, rh, p, _, twb_psy, _, _, _, _, twb_cp, *_ = grid
    ours = air.wet_bulb_c(t, rh, p / 1000.0)
    away = np.abs(twb_psy) > 1.0
    np.testing.assert_allclose(ours[away], twb_psy[away], atol=0.03)
    np.testing.assert_allclose(ours, twb_cp, atol=0.015)


def test_real_gas_grid_computed_here() -> None:
    """A grid of its own, computed by CoolProp in this test: W 0.05 %, wet bulb 0.03 °C, enthalpy 0.1 kJ/kg + 0.2 %."""
    for p in (101.325, 84.0):
        for t in np.arange(0.0, 50.1, 7.1):
            for rh in (7.0, 33.0, 61.0, 98.0):
                real = ("T", t + 273.15, "R", rh / 100.0, "P", p * 1000.0)
                assert air.humidity_ratio_g_kg(t, rh, p) == pytest.approx(1000 * cp.HAPropsSI("W", *real), rel=5e-4)
                assert air.wet_bulb_c(t, rh, p) == pytest.approx(cp.HAPropsSI("B", *real) - 273.15, abs=0.03)
                assert air.enthalpy_kj_kg(t, rh, p) == pytest.approx(
                    cp.HAPropsSI("Hda", *real) / 1000.0, rel=2e-3, abs=0.1
                )
                volume = cp.HAPropsSI("Vda", *real)
                assert air.specific_volume_m3_kg(t, rh, p) == pytest.approx(volume, rel=1e-3)
                assert air.absolute_humidity_g_m3(t, rh, p) == pytest.approx(
                    1000.0 * cp.HAPropsSI("W", *real) / volume, rel=1.2e-3
                )


def test_below_zero_the_ice_convention_is_converted_not_mixed() -> None:
    """At -15..-1 °C psychrolib's RH is over ice: converted to RH over water, our frost point is its dew point."""
    psychrolib.SetUnitSystem(psychrolib.SI)
    for t in (-15.0, -8.0, -1.0):
        for rh_over_ice in (20.0, 55.0, 90.0):
            rh = air.rh_over_water_percent(t, rh_over_ice)
            expected = psychrolib.GetTDewPointFromRelHum(t, rh_over_ice / 100.0)
            assert air.frost_point_c(t, rh) == pytest.approx(expected, abs=1e-3)
            assert air.dew_point_c(t, rh) < expected - 0.09


def test_grains_per_pound_against_psychrolib(columns: Columns) -> None:
    """The grid in US units, without the factor: 0.01 gr/lb; with it, 0.35..0.65 % more."""
    rows = columns("grains_per_pound_grid", *GRAINS)
    t = (rows[0] - 32.0) / 1.8
    ideal = air.grains_per_pound(t, rows[1], PRESSURE_14_696_PSI_KPA, enhancement=False)
    np.testing.assert_allclose(ideal, rows[2], atol=0.01)
    more = air.grains_per_pound(t, rows[1], PRESSURE_14_696_PSI_KPA) / ideal - 1.0
    assert np.all((more > 0.0035) & (more < 0.0065))


def test_magnus_over_water(columns: Columns) -> None:
    """The WMO-No. 8 Magnus form over water at all temperatures agrees within 0.07 °C above -20 °C: its own accuracy."""
    t, rh, magnus = columns("dew_point_over_water_vs_ice", "T_C", "rh_pct", "td_magnus")
    near = magnus > -20.0
    np.testing.assert_allclose(air.dew_point_c(t, rh)[near], magnus[near], atol=0.07)
