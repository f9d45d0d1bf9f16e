"""The VTT mould index against published coefficients, values computed elsewhere, and misprints in circulation."""

from __future__ import annotations

import math
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


def _written_out(t: np.ndarray, rh: np.ndarray, kind: mould.Sensitivity, factor: float) -> list[float]:
    """Give the index hour by hour from the model's equations as they are printed, with nothing of ours in it."""
    index, dry, history = 0.0, 0, []
    for t_c, humidity in zip(t.tolist(), rh.tolist(), strict=True):
        cubic = -0.00267 * t_c**3 + 0.160 * t_c**2 - 3.13 * t_c + 100.0
        critical = max(cubic if t_c <= 20.0 else 0.0, kind.lowest_critical_rh_percent)
        if 0.0 < t_c < 50.0 and humidity >= critical:
            weeks = math.exp(-0.68 * math.log(t_c) - 13.9 * math.log(humidity) + 66.02)
            x = (critical - humidity) / (critical - 100.0)
            largest = kind.a + kind.b * x - kind.c * x * x
            k1 = kind.k1_young if index < 1.0 else kind.k1_grown
            k2 = max(1.0 - math.exp(2.3 * (index - largest)), 0.0)
            index, dry = index + k1 * k2 / (7.0 * weeks) / 24.0, 0
        else:
            dry += 1
            per_day = 0.032 if dry <= 6 else 0.0 if dry <= 24 else 0.016
            index = max(index - factor * per_day / 24.0, 0.0)
        history.append(index)
    return history


@pytest.mark.parametrize("kind", mould.SENSITIVITIES, ids=lambda kind: kind.name)
@pytest.mark.parametrize("factor", [1.0, 0.25])
def test_changing_climates_by_the_printed_equations(kind: mould.Sensitivity, factor: float) -> None:
    """Damp spells, frost, dry days and heat in turn for a year, every class: the printed equations hour by hour.

    No published case with changing climates could be had; this pins the arithmetic and not the model.
    """
    rng = np.random.default_rng(11)
    spells = np.repeat(rng.uniform(-5.0, 35.0, 365), 24), np.repeat(rng.uniform(60.0, 100.0, 365), 24)
    t, rh = spells[0] + rng.uniform(-3.0, 3.0, 8760), np.minimum(spells[1] + rng.uniform(0.0, 6.0, 8760), 100.0)
    ours = mould.mould_index(t, rh, sensitivity=kind, decline_factor=factor)
    np.testing.assert_allclose(ours, _written_out(t, rh, kind, factor), atol=1e-9)
    assert ours.max() > 0.01
