"""Moist air: what must hold for every temperature and humidity, whatever any table says."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.physics import air
from ingest.physics.saturation import ln_p_ice, ln_p_water, temperature_over_ice, temperature_over_water

temperatures = st.floats(-60.0, 100.0)
humidities = st.floats(0.5, 100.0)
pressures = st.floats(60.0, 110.0)


@given(temperatures, humidities)
def test_dew_point_and_rh_are_inverses(t: float, rh: float) -> None:
    """RH from the dew point of an RH gives that RH again, to 1e-6 of it."""
    dew = air.dew_point_c(t, rh)
    if not math.isnan(dew):
        assert air.rh_from_dew_point_percent(t, min(dew, t)) == pytest.approx(rh, rel=1e-6)


@given(temperatures, humidities, st.floats(75.0, 110.0), st.booleans())
def test_humidity_ratio_and_rh_are_inverses(t: float, rh: float, p: float, enhancement: bool) -> None:
    """With and without the enhancement factor, RH from the humidity ratio gives that RH again."""
    ratio = air.humidity_ratio_g_kg(t, rh, p, enhancement=enhancement)
    if math.isnan(ratio):
        assert air.saturation_vapour_pressure_kpa(t) * rh / 100.0 > 0.99 * p
    else:
        back = air.rh_from_humidity_ratio_percent(t, ratio, p, enhancement=enhancement)
        assert back == pytest.approx(rh, rel=1e-9)


@given(st.floats(-40.0, 60.0), st.floats(2.0, 99.0), pressures)
def test_wet_bulb_and_rh_are_inverses(t: float, rh: float, p: float) -> None:
    """RH from the wet bulb of an RH gives that RH again, to 1e-4 % RH."""
    assert air.rh_from_wet_bulb_percent(t, air.wet_bulb_c(t, rh, p), p) == pytest.approx(rh, abs=1e-4)


@given(st.floats(-40.0, 0.0), st.floats(2.0, 90.0))
def test_frost_point_and_rh_are_inverses(t: float, rh: float) -> None:
    """RH over water from the frost point over ice gives that RH again."""
    frost = air.frost_point_c(t, rh)
    if not math.isnan(frost):
        assert air.rh_from_frost_point_percent(t, frost) == pytest.approx(rh, rel=1e-6)


@given(st.floats(0.0, 60.0), st.floats(2.0, 100.0), pressures)
def test_dew_point_below_wet_bulb_below_dry_bulb(t: float, rh: float, p: float) -> None:
    """Above freezing the three temperatures stand in their order, and meet at saturation only."""
    dew, wet = air.dew_point_c(t, rh), air.wet_bulb_c(t, rh, p)
    assert dew <= t + 1e-6
    assert wet <= t + 2e-3
    if dew > 0.0:
        assert dew <= wet + 2e-3


@given(temperatures, humidities, st.floats(0.01, 5.0))
def test_monotone_in_rh(t: float, rh: float, more: float) -> None:
    """More RH at one temperature means more vapour, a higher dew point and a smaller deficit."""
    moist = min(rh + more, 100.0)
    if moist - rh > 1e-3:
        assert air.vapour_pressure_kpa(t, moist) > air.vapour_pressure_kpa(t, rh)
        assert air.vpd_kpa(t, moist) < air.vpd_kpa(t, rh)
        low, high = air.dew_point_c(t, rh), air.dew_point_c(t, moist)
        assert math.isnan(low) or high > low


@given(st.floats(-99.0, 199.0), st.floats(0.001, 1.0))
def test_saturation_pressure_rises_with_temperature(t: float, step: float) -> None:
    """Warmer water and warmer ice both have more vapour over them."""
    assert air.saturation_vapour_pressure_kpa(t + step) > air.saturation_vapour_pressure_kpa(t)
    if t + step <= 0.0:
        assert air.saturation_vapour_pressure_ice_kpa(t + step) > air.saturation_vapour_pressure_ice_kpa(t)


@given(st.floats(-60.0, -0.1), st.floats(5.0, 100.0))
def test_frost_point_lies_above_dew_point_below_zero(t: float, rh: float) -> None:
    """Ice holds its vapour harder than supercooled water: frost forms at a higher temperature than dew would."""
    frost, dew = air.frost_point_c(t, rh), air.dew_point_c(t, rh)
    assert frost > dew


def test_dew_and_frost_point_differ_by_up_to_three_degrees() -> None:
    """The two conventions are far enough apart to matter: 1 to 3.5 °C at -10 °C and dry."""
    assert 1.0 < air.frost_point_c(-10.0, 20.0) - air.dew_point_c(-10.0, 20.0) < 3.5


def test_there_is_no_frost_point_above_melting() -> None:
    """Air with a dew point above 0.01 °C has no frost point: not known, and not the dew point in disguise."""
    assert math.isnan(air.frost_point_c(20.0, 50.0))


def test_the_inverse_fits_are_as_good_as_stated() -> None:
    """The rational inverses of Hyland-Wexler meet it within 8e-8 K (water) and 1e-10 K (ice) over their whole range."""
    water = np.linspace(173.15, 473.15, 100_001)
    assert np.abs(temperature_over_water(ln_p_water(water)) - water).max() < 1e-7
    ice = np.linspace(173.15, 273.16, 100_001)
    assert np.abs(temperature_over_ice(ln_p_ice(ice)) - ice).max() < 1e-10


def test_supercooled_extrapolation_against_murphy_and_koop() -> None:
    """Below 0 °C the water equation is extrapolated: within 0.11 % of Murphy and Koop (2005, Eq. 10) to -20 °C.

    Within 0.26 % to -30, 0.75 % to -40, 2.2 % (0.2 °C of dew point) at -50 °C. Their equation is entered here from
    memory; its value at 0 °C (611.2 Pa) is checked.
    """
    T = np.array([223.15, 233.15, 243.15, 253.15, 263.15, 273.15])
    ln_pa = (
        54.842763
        - 6763.22 / T
        - 4.210 * np.log(T)
        + 0.000367 * T
        + np.tanh(0.0415 * (T - 218.8)) * (53.878 - 1331.22 / T - 9.44523 * np.log(T) + 0.014025 * T)
    )
    reference = np.exp(ln_pa)
    assert reference[-1] == pytest.approx(611.2, abs=0.1)
    ours = 1000.0 * air.saturation_vapour_pressure_kpa(T - 273.15)
    stated = np.array([0.022, 0.0075, 0.0026, 0.0011, 0.0005, 0.0001])
    assert np.all(np.abs(ours / reference - 1.0) < stated)


OF_TWO: list[Callable[..., object]] = [
    air.vapour_pressure_kpa,
    air.vpd_kpa,
    air.dew_point_c,
    air.frost_point_c,
    air.humidity_ratio_g_kg,
    air.grains_per_pound,
    air.wet_bulb_c,
    air.enthalpy_kj_kg,
    air.absolute_humidity_g_m3,
    air.specific_humidity_g_kg,
    air.specific_volume_m3_kg,
    air.degree_of_saturation_percent,
]


@pytest.mark.parametrize("function", OF_TWO)
def test_scalars_and_arrays_agree(function: Callable[..., object]) -> None:
    """A float gives a float, an array an array of its shape, with the same values, whatever block they fall into."""
    rng = np.random.default_rng(3)
    t, rh = rng.uniform(-40.0, 60.0, (3, 7)), rng.uniform(1.0, 100.0, (3, 7))
    table = function(t, rh)
    assert isinstance(table, np.ndarray)
    assert table.shape == (3, 7)
    for i, j in ((0, 0), (1, 3), (2, 6)):
        single = function(float(t[i, j]), float(rh[i, j]))
        assert type(single) is float
        np.testing.assert_allclose(single, table[i, j], rtol=1e-9, atol=1e-6)  # the wet bulb is solved to 1e-6


@pytest.mark.parametrize("function", OF_TWO)
def test_nan_and_impossible_values_give_nan(function: Callable[..., object]) -> None:
    """NaN, RH outside 0..100 %, temperatures beyond the equations: not known, silently and without touching others."""
    t = np.array([np.nan, 20.0, 20.0, 20.0, 300.0, -200.0, np.inf, 5.0])
    rh = np.array([50.0, np.nan, -1.0, 101.0, 50.0, 50.0, 50.0, 30.0])
    result = np.asarray(function(t, rh))
    assert np.isnan(result[:-1]).all()
    alone = function(5.0, 30.0)
    np.testing.assert_allclose(result[-1], alone, rtol=1e-12)


@pytest.mark.parametrize("function", OF_TWO)
def test_broadcasting_and_empty_arrays(function: Callable[..., object]) -> None:
    """A column of temperatures against a row of humidities gives the table; nothing in gives nothing out."""
    table = function(np.array([[0.0], [20.0]]), np.array([30.0, 50.0, 70.0]))
    assert np.shape(table) == (2, 3)
    assert np.shape(function(np.empty(0), np.empty(0))) == (0,)


def test_blocks_do_not_show() -> None:
    """Forty thousand values, computed in several blocks, equal the same values computed a thousand at a time."""
    rng = np.random.default_rng(4)
    t, rh = rng.uniform(-30.0, 45.0, 40_000), rng.uniform(2.0, 100.0, 40_000)
    whole = air.wet_bulb_c(t, rh)
    parts = np.concatenate([air.wet_bulb_c(t[i : i + 1000], rh[i : i + 1000]) for i in range(0, 40_000, 1000)])
    np.testing.assert_allclose(whole, parts, atol=1e-6)


@pytest.mark.parametrize("pressure_kpa", [75.0, 101.325])
def test_a_wet_bulb_does_not_hang_on_the_way_to_it(pressure_kpa: float) -> None:
    """In rooms, where the first guess will do, and beside a reading that needs more: the same to 1e-6 °C."""
    rng = np.random.default_rng(5)
    for lowest in (-20.0, 0.0, 10.0, 20.0, 30.0):
        for driest in (15.0, 30.0, 50.0, 80.0):
            t, rh = rng.uniform(lowest, lowest + 8.0, 300), rng.uniform(driest, driest + 20.0, 300)
            alone = air.wet_bulb_c(t, rh, pressure_kpa)
            beside = air.wet_bulb_c(np.append(t, 50.0), np.append(rh, 2.0), pressure_kpa)
            np.testing.assert_allclose(alone, beside[:-1], rtol=0.0, atol=1e-6)


def test_inputs_are_never_written_to() -> None:
    """The caller's arrays come out as they went in."""
    t, rh = np.linspace(-20.0, 40.0, 50), np.linspace(1.0, 100.0, 50)
    t_before, rh_before = t.copy(), rh.copy()
    for function in OF_TWO:
        function(t, rh)
    np.testing.assert_array_equal(t, t_before)
    np.testing.assert_array_equal(rh, rh_before)


def test_a_cold_or_dry_reading_never_stops_the_daemon() -> None:
    """-50 °C, 0 % RH and their like give values or NaN, never an exception or a warning."""
    for t, rh in ((-50.0, 40.0), (-60.0, 0.0), (100.0, 100.0), (0.0, 0.0), (-99.0, 1.0)):
        for function in OF_TWO:
            assert isinstance(function(t, rh), float)


def test_dry_air_has_no_dew_point_but_all_else() -> None:
    """At 0 % RH: vapour 0, deficit all, wet bulb a number, dew point not known."""
    assert air.vapour_pressure_kpa(20.0, 0.0) == 0.0
    assert air.humidity_ratio_g_kg(20.0, 0.0) == 0.0
    assert 4.0 < air.wet_bulb_c(20.0, 0.0) < 7.0
    assert math.isnan(air.dew_point_c(20.0, 0.0))


def test_pressure_from_elevation_falls_and_is_bounded() -> None:
    """Sea level is 101.325 kPa, 1500 m about 84.5; nonsense elevations are not known."""
    assert air.pressure_from_elevation_kpa(0.0) == pytest.approx(101.325)
    assert air.pressure_from_elevation_kpa(1500.0) == pytest.approx(84.556, abs=0.01)
    assert math.isnan(air.pressure_from_elevation_kpa(20_000.0))


def test_grains_per_pound_is_seven_times_grams_per_kilogram() -> None:
    """7000 grains to the pound, by definition."""
    t, rh = np.linspace(0.0, 40.0, 9), np.linspace(10.0, 90.0, 9)
    np.testing.assert_allclose(air.grains_per_pound(t, rh), 7.0 * air.humidity_ratio_g_kg(t, rh), rtol=1e-14)


@given(st.floats(-20.0, -0.5), st.floats(1.0, 99.0))
def test_rh_over_ice_is_higher_than_over_water(t: float, rh_over_ice: float) -> None:
    """Below 0 °C the same air has a lower RH over water than over ice; above it there is nothing to convert."""
    assert air.rh_over_water_percent(t, rh_over_ice) < rh_over_ice
    assert air.rh_over_water_percent(-t, rh_over_ice) == pytest.approx(rh_over_ice, rel=1e-12)
