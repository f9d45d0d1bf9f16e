"""The numerics of the board model: implicit finite volumes, many boards at once, nothing of wood in it.

Moisture u (kg/kg) in cells of width h between two faces; conductances g = 1 / (h/2D + h'/2D') between cells, and
1 / (1/S + h/2D) from a face's air, which is at e, into the first cell. Backward Euler,

    h (u' - u) / dt = g_left (u'_left - u') + g_right (u'_right - u'),

is stable for any step and keeps mass: what the cells gain is what the faces let in, to rounding. The tridiagonal
system is eliminated from both faces towards the middle, so that one NumPy call serves both halves of all boards; its
factors are kept for as long as the coefficients are.
"""

from __future__ import annotations

import numpy as np

from ingest.physics.pointwise import FloatArray


def graded_widths(cells: int, grading: float = 1.5) -> FloatArray:
    """Give the cell widths of half a sheet from the face inwards, as fractions of the whole thickness (sum 1/2).

    cells: of the whole sheet, even and at least 4, else ValueError.  grading: 1 is uniform; more puts finer cells at
    the faces, where moisture moves first.
    """
    if cells < 4 or cells % 2:
        raise ValueError(f"cells must be even and at least 4, not {cells}")
    half = cells // 2
    return np.diff(0.5 * (np.arange(half + 1) / half) ** grading)


class SheetSolver:
    """Boards in halves: row k holds cell k from the top face (the first `boards` columns), then from the bottom."""

    def __init__(self, profile: FloatArray, thickness_m: FloatArray, widths: FloatArray) -> None:
        """Take the boards as they are.

        profile: moisture [kg/kg], shape (cells, boards), top to bottom.  thickness_m: shape (boards,).
        widths: of half a sheet, as `graded_widths` gives them.
        """
        half = widths.size
        self.boards = thickness_m.size
        self.u = np.concatenate([profile[:half], profile[: half - 1 : -1]], axis=1)
        self.h = widths[:, None] * np.tile(thickness_m, 2)[None, :]
        self.taken_in = np.zeros(2 * self.boards)  # through each face since the start [m kg/kg]
        self._y = np.empty_like(self.u)
        self._temporary = np.empty(2 * self.boards)
        self._lower, self._upper, self._inverse = (np.empty_like(self.u) for _ in range(3))
        self._rows = [list(array) for array in (self.u, self._y, self._lower, self._upper)]

    def set_coefficients(self, diffusivity: FloatArray, surface: FloatArray, step_s: float) -> None:
        """Take new coefficients and eliminate.

        diffusivity: [m2/s], in the shape of `u`.  surface: S [m/s] of the top faces, then the bottom ones; 0 is
        sealed, infinity holds the surface at its air's moisture.  step_s: time step [s].
        """
        resistance = self.h / (2.0 * diffusivity)
        with np.errstate(divide="ignore"):
            face = 1.0 / (1.0 / surface + resistance[0])
        inner = 1.0 / (resistance[:-1] + resistance[1:])
        boards = self.boards
        middle = 1.0 / (resistance[-1, :boards] + resistance[-1, boards:])
        inner = np.concatenate([inner, np.tile(middle, 2)[None, :]])
        share = step_s / self.h
        upper, lower, inverse = self._upper, self._lower, self._inverse
        self._face_dt = face * step_s
        denominator = 1.0 + share[0] * (face + inner[0])
        for k in range(self.u.shape[0]):
            if k:
                coupling = share[k] * inner[k - 1]
                denominator = 1.0 + coupling + share[k] * inner[k] - coupling * upper[k - 1]
                np.divide(coupling, denominator, out=lower[k])
            np.divide(share[k] * inner[k], denominator, out=upper[k])
            np.divide(1.0, denominator, out=inverse[k])
        self._face_share = share[0] * face * inverse[0]
        last = upper[-1]
        self._swap = np.concatenate([last[boards:], last[:boards]])
        self._middle_inverse = 1.0 / (1.0 - last * self._swap)

    def step(self, air: FloatArray) -> None:
        """March one time step.  air: moisture [kg/kg] that the air holds the faces to, top ones first."""
        u, y, lower, upper = self._rows
        temporary, boards = self._temporary, self.boards
        np.multiply(self.u, self._inverse, out=self._y)
        np.multiply(self._face_share, air, out=temporary)
        np.add(y[0], temporary, out=y[0])
        previous = y[0]
        for low, here in zip(lower[1:], y[1:], strict=True):
            np.multiply(low, previous, out=temporary)
            np.add(here, temporary, out=here)
            previous = here
        # The two halves meet: x = y + w x', x' = y' + w' x.
        temporary[:boards] = previous[boards:]
        temporary[boards:] = previous[:boards]
        np.multiply(temporary, upper[-1], out=temporary)
        np.add(temporary, previous, out=temporary)
        np.multiply(temporary, self._middle_inverse, out=u[-1])
        previous = u[-1]
        for up, source, here in zip(upper[-2::-1], y[-2::-1], u[-2::-1], strict=True):
            np.multiply(up, previous, out=here)
            np.add(here, source, out=here)
            previous = here
        np.subtract(air, u[0], out=temporary)
        np.multiply(temporary, self._face_dt, out=temporary)
        np.add(self.taken_in, temporary, out=self.taken_in)

    def profile(self) -> FloatArray:
        """Give the moisture [kg/kg] of every cell, shape (cells, boards), top to bottom."""
        return np.concatenate([self.u[:, : self.boards], self.u[::-1, self.boards :]])

    def content(self) -> FloatArray:
        """Give the moisture held by each board per area [m kg/kg], shape (boards,)."""
        held = np.einsum("ij,ij->j", self.u, self.h)
        return np.asarray(held[: self.boards] + held[self.boards :])
