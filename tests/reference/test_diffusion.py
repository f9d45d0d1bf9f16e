"""Diffusion through a board: the series against tables, the numerics against the series, facts against facts.

The series is the exact answer where coefficients are constant. A sheet of half thickness l, both faces alike, at one
moisture content, is put at t = 0 into air of another. With Bi = S l / D and Fo = D t / l²:

    E(mean)  = Σ 2 Bi² exp(-b² Fo) / (b² (b² + Bi² + Bi)),      b tan b = Bi
    E(x/l)   = Σ 2 Bi cos(b x/l) exp(-b² Fo) / ((b² + Bi² + Bi) cos b)

E is the fraction of the change still to come. Sources: Newman (1931); Crank, The Mathematics of Diffusion (2nd ed.
1975), 4.3.6, Eq. 4.50 and 4.53; without surface resistance (Bi infinite) b = (n + 1/2) π.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from ingest.physics.board import CELLS
from ingest.physics.diffusivity import transverse_diffusivity
from ingest.physics.sheet_solver import SheetSolver, graded_widths

Array = NDArray[np.float64]
Columns = Callable[..., list[Array]]
Table = Callable[[str], list[dict[str, str]]]


@lru_cache(maxsize=64)
def roots(biot: float, count: int) -> Array:
    """Give the first `count` positive roots b of b tan b = Bi, rising; math.inf for no surface resistance."""
    base = np.arange(count, dtype=np.float64) * math.pi
    if math.isinf(biot):
        return np.asarray(base + 0.5 * math.pi, dtype=np.float64)
    # b = n pi + a with a in (0, pi/2): f(a) = (n pi + a) sin a - Bi cos a rises through its only zero there.
    low, high = np.zeros(count), np.full(count, 0.5 * math.pi)
    for _ in range(60):
        middle = 0.5 * (low + high)
        beyond = (base + middle) * np.sin(middle) > biot * np.cos(middle)
        low, high = np.where(beyond, low, middle), np.where(beyond, middle, high)
    return np.asarray(base + 0.5 * (low + high), dtype=np.float64)


def fraction_left_mean(biot: float, fourier: float, terms: int = 400) -> float:
    """Give the fraction of the change in mean moisture content that is still to come, 1 at Fo = 0 to 0.

    biot: S l / D, above 0 or infinite.  fourier: D t / l², at least 0.  Error below 1e-8 from Fo = 1e-4 on.
    """
    b2 = roots(biot, terms) ** 2
    weights = 2.0 / b2 if math.isinf(biot) else 2.0 * biot**2 / (b2 * (b2 + biot**2 + biot))
    return float(np.sum(weights * np.exp(-b2 * fourier)))


def fraction_left_at(biot: float, fourier: float, position: float, terms: int = 400) -> float:
    """Give the fraction of the change still to come at one depth.  position: x / l, 0 the middle, 1 the surface.

    Error below 1e-8 from Fo = 1e-3 on; below that the series needs more terms.
    """
    b = roots(biot, terms)
    b2 = b * b
    if math.isinf(biot):
        signs = np.where(np.arange(terms) % 2 == 0, 1.0, -1.0)
        weights = 2.0 * signs / b
    else:
        # 1 / cos b from b tan b = Bi, without dividing by a cosine near zero: cos b = ± b / sqrt(b² + Bi²).
        signs = np.where(np.arange(terms) % 2 == 0, 1.0, -1.0)
        weights = 2.0 * biot * signs * np.sqrt(b2 + biot**2) / (b * (b2 + biot**2 + biot))
    return float(np.sum(weights * np.cos(b * position) * np.exp(-b2 * fourier)))


def test_roots_are_those_of_the_printed_table(columns: Columns) -> None:
    """Six roots of b tan b = Bi for every Bi of a textbook's table, to half a unit of its fourth decimal."""
    names = ("C", "a1", "a2", "a3", "a4", "a5", "a6")
    biot, *printed = columns("plane_sheet_roots_table_read", *names)
    for i, value in enumerate(biot):
        np.testing.assert_allclose(roots(float(value), 6), [column[i] for column in printed], atol=5.1e-5)


def test_series_against_the_computed_table(columns: Columns) -> None:
    """Mean, middle and surface for Bi 0.1 to infinity, Fo 0.001 to 5, as computed elsewhere: 1e-9."""
    biot, fourier, *tabled = columns("plane_sheet_newman_crank", "Bi", "Fo", "E_mean", "E_centre", "E_surface")
    assert np.isinf(biot).any()
    for i in range(biot.size):
        bi, fo = float(biot[i]), float(fourier[i])
        ours = (
            fraction_left_mean(bi, fo),
            fraction_left_at(bi, fo, 0.0),
            fraction_left_at(bi, fo, 1.0),
        )
        np.testing.assert_allclose(ours, [column[i] for column in tabled], atol=1e-9)


@pytest.mark.parametrize("biot", [0.5, 10.0, math.inf])
def test_board_numerics_meet_the_series(biot: float) -> None:
    """With and without surface resistance the implicit scheme stays within 1e-4 of the exact mean and middle."""
    cells, steps = 180, 3200
    solver = SheetSolver(np.ones((cells, 1)), np.array([2.0]), graded_widths(cells, 2.0))
    before = 0.0
    for fourier in (0.05, 0.5):
        solver.set_coefficients(np.ones_like(solver.u), np.full(2, biot), (fourier - before) / steps)
        for _ in range(steps):
            solver.step(np.zeros(2))
        before = fourier
        assert solver.content()[0] / 2.0 == pytest.approx(fraction_left_mean(biot, fourier), abs=1e-4)
        middle = solver.profile()[cells // 2, 0]
        assert middle == pytest.approx(fraction_left_at(biot, fourier, 0.0), abs=2e-4)


@given(st.floats(0.05, 50.0), st.floats(0.001, 2.0), st.floats(0.01, 1.0))
def test_the_series_only_falls(biot: float, fourier: float, more: float) -> None:
    """What is left to come is between 0 and 1, less later, and less at the surface than in the middle."""
    mean = fraction_left_mean(biot, fourier)
    assert -1e-9 <= fraction_left_mean(biot, fourier + more) <= mean <= 1.0 + 1e-6
    middle, face = (fraction_left_at(biot, fourier, at) for at in (0.0, 1.0))
    assert face <= mean + 1e-6 <= middle + 2e-6


@pytest.mark.parametrize("biot", [17.0, 190.0, math.inf])
@pytest.mark.parametrize(("steps", "largest"), [(15, 5.5e-3), (200, 1.2e-3)])
def test_the_cells_of_the_product_err_no_more_than_is_said(biot: float, steps: int, largest: float) -> None:
    """With its 40 cells the mean is as near to the exact one as METHODS.md says, from Fo 0.01 on.

    15 steps per Fo 0.05 is a 19 mm board marched by the hour, 200 one by five minutes.
    """
    solver = SheetSolver(np.ones((CELLS, 1)), np.array([2.0]), graded_widths(CELLS))
    solver.set_coefficients(np.ones_like(solver.u), np.full(2, biot), 0.05 / steps)
    worst = 0.0
    for step in range(1, 20 * steps + 1):
        solver.step(np.zeros(2))
        if (fourier := step * 0.05 / steps) >= 0.01:
            worst = max(worst, abs(solver.content()[0] / 2.0 - fraction_left_mean(biot, fourier)))
    assert worst < largest


DIFFUSION: dict[str, tuple[Callable[[Array], Array], float]] = {
    "A": (lambda u: np.full_like(u, 2e-10), 1e-7),
    "B": (lambda u: 1e-10 * np.exp(30.0 * (u - 0.08)), 1e-7),
    "C": (lambda u: np.full_like(u, 2e-10), 5e-9),
}


@pytest.mark.parametrize("case", list(DIFFUSION))
def test_board_numerics_meet_a_fine_reference(case: str, table: Table) -> None:
    """A 19 mm board from 8 to 13 %: constant, moisture-dependent and surface-controlled diffusion, within 0.01 % MC.

    The reference used 400 cells in half a board; here 40 in the whole, as the daemon runs.
    """
    law, surface = DIFFUSION[case]
    solver = SheetSolver(np.full((40, 1), 0.08), np.array([0.019]), graded_widths(40))
    hours = 0
    for row in (row for row in table("diffusion_board_step_numeric") if row["case"] == case):
        while hours < int(row["hours"]):
            for _ in range(6):
                solver.set_coefficients(law(solver.u), np.full(2, surface), 600.0)
                solver.step(np.full(2, 0.13))
            hours += 1
        assert 100.0 * solver.content()[0] / 0.019 == pytest.approx(float(row["mean_mc_pct"]), abs=0.01)
        assert 100.0 * solver.profile()[20, 0] == pytest.approx(float(row["centre_mc_pct"]), abs=0.03)


def test_diffusion_coefficients_agree_with_published_findings() -> None:
    """Siau's equations against measured facts, to the factor of two that such figures deserve.

    Spruce, radial and tangential, dynamic sorption: 0.94 and 1.0e-10 m2/s (Sanchez-Ferrer and Engelhardt 2026). Spruce
    over beech: 2 to 3 (Sonderegger et al. 2011). Aspen at 43 °C, 18 % over 2.5 % MC: 8 (Simpson).
    """
    spruce = transverse_diffusivity(12.0, 20.0, 0.42)
    assert 0.5 < spruce / 1e-10 < 2.0
    assert 1.5 < spruce / transverse_diffusivity(12.0, 20.0, 0.68) < 4.0
    aspen = transverse_diffusivity(18.0, 43.3, 0.38) / transverse_diffusivity(2.5, 43.3, 0.38)
    assert 8.0 / 2.5 < aspen < 8.0 * 2.5
    doubling = transverse_diffusivity(10.0, 39.0, 0.45) / transverse_diffusivity(10.0, 20.0, 0.45)
    assert 1.6 < doubling < 2.6  # doubles per 18 to 20 K: common practice, from memory
