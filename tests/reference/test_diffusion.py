"""Diffusion through a board: the series against tables, the numerics against the series, facts against facts."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from ingest.physics import plane_sheet
from ingest.physics.diffusivity import transverse_diffusivity
from ingest.physics.sheet_solver import SheetSolver, graded_widths

Array = NDArray[np.float64]
Columns = Callable[..., list[Array]]
Table = Callable[[str], list[dict[str, str]]]


def test_roots_are_those_of_the_printed_table(columns: Columns) -> None:
    """Six roots of b tan b = Bi for every Bi of a textbook's table, to half a unit of its fourth decimal."""
    names = ("C", "a1", "a2", "a3", "a4", "a5", "a6")
    biot, *printed = columns("plane_sheet_roots_table_read", *names)
    for i, value in enumerate(biot):
        np.testing.assert_allclose(plane_sheet.roots(float(value), 6), [column[i] for column in printed], atol=5.1e-5)


def test_series_against_the_computed_table(columns: Columns) -> None:
    """Mean, middle and surface for Bi 0.1 to infinity, Fo 0.001 to 5, as computed elsewhere: 1e-9."""
    biot, fourier, *tabled = columns("plane_sheet_newman_crank", "Bi", "Fo", "E_mean", "E_centre", "E_surface")
    assert np.isinf(biot).any()
    for i in range(biot.size):
        bi, fo = float(biot[i]), float(fourier[i])
        ours = (
            plane_sheet.fraction_left_mean(bi, fo),
            plane_sheet.fraction_left_at(bi, fo, 0.0),
            plane_sheet.fraction_left_at(bi, fo, 1.0),
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
        assert solver.content()[0] / 2.0 == pytest.approx(plane_sheet.fraction_left_mean(biot, fourier), abs=1e-4)
        middle = solver.profile()[cells // 2, 0]
        assert middle == pytest.approx(plane_sheet.fraction_left_at(biot, fourier, 0.0), abs=2e-4)


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
