"""The VTT mould index against published coefficients, values computed elsewhere, and misprints in circulation."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from ingest.physics import mould

Table = Callable[[str], list[dict[str, str]]]


def test_constant_climates_for_half_a_year(table: Table) -> None:
    """Very sensitive class, constant climates, at 7, 28, 84 and 180 days: within 0.01 of the index."""
    rows = table("vtt_mould_index_constant_climate")
    assert len(rows) > 20
    for row in rows:
        t, rh = float(row["T_C"]), float(row["rh_pct"])
        history = mould.mould_index(np.full(180 * 24, t), np.full(180 * 24, rh))
        for days in (7, 28, 84, 180):
            assert history[days * 24 - 1] == pytest.approx(float(row[f"M_{days}d"]), abs=0.01), row


def test_critical_rh_and_response_times(table: Table) -> None:
    """Critical RH and both response times in weeks, as tabled with the same climates."""
    for row in table("vtt_mould_index_constant_climate"):
        t, rh = float(row["T_C"]), float(row["rh_pct"])
        assert mould.critical_rh_percent(t) == pytest.approx(float(row["rhcrit_pct"]), abs=5e-3)
        assert mould.weeks_to_first_growth(t, rh) == pytest.approx(float(row["tm_weeks"]), rel=1e-4)
        assert mould.weeks_to_visible_growth(t, rh) == pytest.approx(float(row["tv_weeks"]), rel=1e-4)


def test_the_sign_misprinted_in_a_public_copy() -> None:
    """With -3.13 T the critical RH at 20 °C is 80 %; a copy with +3.13 gives 205 %."""
    right = -0.00267 * 20.0**3 + 0.160 * 20.0**2 - 3.13 * 20.0 + 100.0
    wrong = -0.00267 * 20.0**3 + 0.160 * 20.0**2 + 3.13 * 20.0 + 100.0
    assert mould.critical_rh_percent(20.0) == pytest.approx(right, abs=1e-9)
    assert right == pytest.approx(80.04, abs=0.01)
    assert wrong > 200.0


def test_classes_are_those_published(table: Table) -> None:
    """k1 and the coefficients A, B, C of all four classes, as read in public implementations."""
    rows = {row["item"]: row["value"] for row in table("vtt_mould_model_coefficients")}
    for kind in mould.SENSITIVITIES:
        a, b, c = (float(value) for value in rows[f"A B C {kind.name}"].split())
        assert (kind.a, kind.b, kind.c) == (a, b, c)
        numbers = [float(word) for word in rows[f"k1 {kind.name}"].split() if not word.startswith("(")]
        assert [kind.k1_young, kind.k1_grown] == numbers


def test_growth_switches_on_the_index_not_on_its_limit() -> None:
    """Below M = 1 the factor k1 is that of young growth, whatever M_max is: a public copy switches on M_max."""
    t, rh = 20.0, 97.0
    history = mould.mould_index(np.full(24, t), np.full(24, rh))
    per_day = 1.0 / (7.0 * mould.weeks_to_first_growth(t, rh))
    assert history[-1] == pytest.approx(per_day, rel=1e-3)
