"""Humidity over saturated salts against Greenspan's polynomials, OIML R 121 and a conservator's table."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from ingest.physics.salts import SALTS, salt_rh_percent

Table = Callable[[str], list[dict[str, str]]]


def test_the_polynomials_as_tabled(table: Table) -> None:
    """Every stored value of Greenspan's polynomials within 0.05 % RH."""
    rows = table("greenspan_rh_vs_temperature")
    assert {row["salt"] for row in rows} <= set(SALTS)
    for row in rows:
        assert salt_rh_percent(row["salt"], float(row["temp_C"])) == pytest.approx(float(row["rh_pct"]), abs=0.05)


def test_oiml_r121_as_printed(table: Table) -> None:
    """OIML R 121 (1996) prints values after Greenspan: within 0.15 % RH; LiCl above 20 °C; NaCl to its uncertainty."""
    checked = 0
    for row in table("salt_fixed_points_oiml_r121"):
        salt, t = SALTS.get(row["salt"]), float(row["temp_c"])
        if salt is None or not salt.range_c[0] <= t <= salt.range_c[1] or (salt.fixed_point_from_c >= t > 0.0):
            continue
        tolerance = 0.31 if row["salt"] == "NaCl" else 0.15
        assert salt_rh_percent(row["salt"], t) == pytest.approx(float(row["rh_pct"]), abs=tolerance), row
        checked += 1
    assert checked > 20


def test_signs_of_the_misprinted_terms(table: Table) -> None:
    """LiCl and K2CO3: with the linear term negative, as public copies have it, 25 °C would read 10.9 and 43.1 %.

    The conservator's table (Padfield) has 11.3 % at 5 to 25 °C for LiCl, and 43.1 rising to 43.2 % for K2CO3.
    """
    for row in table("saturated_salts_padfield"):
        if row["salt"] in ("LiCl", "K2CO3"):
            assert salt_rh_percent(row["salt"], float(row["temp_C"])) == pytest.approx(float(row["rh_pct"]), abs=0.06)
    a0, a1, a2 = SALTS["LiCl"].coefficients
    assert a0 - a1 * 25.0 + a2 * 625.0 == pytest.approx(10.9, abs=0.05)
    assert SALTS["K2CO3"].coefficients[1] > 0.0
