"""Moist air against printed values of the ASHRAE Handbook Fundamentals (2017), chapter 1."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.physics import air

Columns = Callable[..., list[NDArray[np.float64]]]


def test_saturation_pressure_is_that_of_table_3(columns: Columns) -> None:
    """Ice below zero, water above: within 0.03 % or half a unit of the last printed digit, whichever is wider."""
    t, printed_pa = columns("ashrae_saturation_vapour_pressure", "T_C", "pws_Pa")
    ice = t < 0
    computed_pa = 1000.0 * np.where(
        ice, air.saturation_vapour_pressure_ice_kpa(np.minimum(t, 0.0)), air.saturation_vapour_pressure_kpa(t)
    )
    assert np.all(np.abs(computed_pa - printed_pa) <= np.maximum(3e-4 * printed_pa, 0.005))


def test_humidity_ratio_at_saturation_is_that_of_table_2(columns: Columns) -> None:
    """With the enhancement factor the real-gas table is met within 0.05 % at 0..50 °C."""
    t, printed = columns("ashrae_saturation_humidity_ratio", "T_C", "Ws")
    room = (t >= 0) & (t <= 50)
    assert room.sum() >= 2
    computed = air.humidity_ratio_g_kg(t[room], np.full(room.sum(), 100.0)) / 1000.0
    np.testing.assert_allclose(computed, printed[room], rtol=5e-4)


def test_humidity_ratio_without_enhancement_is_the_stated_half_percent_low(columns: Columns) -> None:
    """The option that leaves the factor out misses the same table by 0.4..0.65 %, as its docstring says."""
    t, printed = columns("ashrae_saturation_humidity_ratio", "T_C", "Ws")
    room = (t >= 0) & (t <= 50)
    computed = air.humidity_ratio_g_kg(t[room], np.full(room.sum(), 100.0), enhancement=False) / 1000.0
    shortfall = 1.0 - computed / printed[room]
    assert np.all((shortfall > 0.004) & (shortfall < 0.0065))


def test_enthalpy_at_saturation_is_that_of_table_2(columns: Columns) -> None:
    """Within 0.15 % (perfect-gas enthalpies, Eq. 30) at 0..50 °C."""
    t, printed_j = columns("ashrae_saturation_enthalpy", "T_C", "h_J_per_kg")
    room = (t >= 0) & (t <= 50)
    computed = air.enthalpy_kj_kg(t[room], np.full(room.sum(), 100.0)) * 1000.0
    np.testing.assert_allclose(computed, printed_j[room], rtol=1.5e-3)


def test_standard_atmosphere_is_that_of_table_1(columns: Columns) -> None:
    """Air pressure from elevation within 1 Pa as printed."""
    elevation_m, printed_pa = columns("ashrae_standard_atmosphere", "alt_m", "p_Pa")
    np.testing.assert_allclose(air.pressure_from_elevation_kpa(elevation_m) * 1000.0, printed_pa, atol=1.0)


def test_example_1_of_the_chapter() -> None:
    """40 °C with a wet bulb of 20 °C at sea level: W 0.0065, RH 14 %, dew point 7 °C, h 56.7 kJ/kg, v 0.896 m3/kg."""
    rh = air.rh_from_wet_bulb_percent(40.0, 20.0, 101.325)
    assert air.humidity_ratio_g_kg(40.0, rh) == pytest.approx(6.5, abs=0.1)
    assert rh == pytest.approx(14.0, abs=1.0)
    assert air.dew_point_c(40.0, rh) == pytest.approx(7.0, abs=0.5)
    assert air.enthalpy_kj_kg(40.0, rh) == pytest.approx(56.7, abs=0.2)  # read off a chart
    assert air.specific_volume_m3_kg(40.0, rh) == pytest.approx(0.896, rel=0.01)


def test_point_values_quoted_with_the_tables() -> None:
    """Points of ashrae_example_and_point_checks.csv: W from wet bulb, wet bulb from RH, enthalpy, volume."""
    rh = air.rh_from_wet_bulb_percent(30.0, 25.0, 95.461)
    assert air.humidity_ratio_g_kg(30.0, rh, 95.461) == pytest.approx(19.2281274241096, rel=6e-3)
    assert air.wet_bulb_c(7.0, 61.0, 100.0) == pytest.approx(3.92667433781955, abs=0.01)
    rh_of_20_g = air.rh_from_humidity_ratio_percent(30.0, 20.0, 95.461)
    assert air.enthalpy_kj_kg(30.0, rh_of_20_g, 95.461) == pytest.approx(81.316, rel=3e-4)
    assert air.specific_volume_m3_kg(30.0, rh_of_20_g, 95.461) == pytest.approx(0.940855374352943, rel=3e-4)
    assert air.specific_humidity_g_kg(30.0, air.rh_from_humidity_ratio_percent(30.0, 6.0)) == pytest.approx(
        5.96421471, rel=1e-6
    )


def test_trade_dew_point_table(table: Callable[[str], list[dict[str, str]]]) -> None:
    """The building trade's dew point table, unflagged rows above 0 °C within 0.15 K; below it prints frost points."""
    rows = [row for row in table("psychro_dewpoint_table_building_trade") if not row["flag"]]
    t, rh, printed = (np.array([float(row[c]) for row in rows]) for c in ("temp_c", "rh_pct", "dew_point_c"))
    above = printed >= 0
    assert above.sum() > 100
    np.testing.assert_allclose(air.dew_point_c(t, rh)[above], printed[above], atol=0.16)
    below = printed < -0.3
    np.testing.assert_allclose(air.frost_point_c(t, rh)[below], printed[below], atol=0.30)


def test_iso_13788_saturation_pressure_is_close_but_another_formula(columns: Columns) -> None:
    """The building-physics form differs by at most 0.25 % between -10 and 40 °C: a check of order, not of digits."""
    t, iso_pa = columns("saturation_pressure_iso13788_vs_ashrae", "T_C", "iso_Pa")
    ours_pa = 1000.0 * np.where(
        t < 0, air.saturation_vapour_pressure_ice_kpa(np.minimum(t, 0.0)), air.saturation_vapour_pressure_kpa(t)
    )
    np.testing.assert_allclose(ours_pa, iso_pa, rtol=2.5e-3)
