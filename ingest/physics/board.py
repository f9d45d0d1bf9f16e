"""A board's moisture through its thickness, driven by the climate that its room has had.

What no reading gives: the mean moisture content today, the profile from face to face, how fast it moves, and when it
will be within tolerance of its target if the room stays as it has been. **All of it is an estimate**: diffusion
coefficients are published with a spread of two either way (`diffusivity.SPREAD_FACTOR`), the board's own history before
the first reading is assumed, and wood is at room temperature. A meter's readings decide.

One dimension, moisture content as the potential: du/dt = d/dx (D(u, T) du/dx); each face exchanges with its air by
S (u_air - u_surface), where u_air is the EMC of that air and S = p_sat / (R_v rho (dEMC/dRH)) follows from the vapour
resistance R_v of surface film and finish, rho being the oven-dry density. Numerics: `sheet_solver`; METHODS.md has the
derivation. A closed stack is one thick board (`closed_stack`); a stickered one is boards with air on both faces.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ingest.physics import air_kernels as k
from ingest.physics import wood
from ingest.physics.diffusivity import FILM_RESISTANCE, siau_kernel
from ingest.physics.pointwise import FloatArray
from ingest.physics.sheet_solver import SheetSolver, graded_widths
from ingest.units import ZERO_C_IN_K

CELLS: Final = 40
REFRESH_S: Final = 7200.0
"""How long diffusion and surface coefficients are kept before they are computed anew [s]: they change slowly."""

HIGHEST_MC_PERCENT: Final = 30.0  # fibre saturation: the model knows no free water

DiffusionLaw = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]
"""(moisture content [%], temperature [K], specific gravity) -> D [m2/s], broadcasting."""


@dataclass(frozen=True, slots=True)
class Board:
    """A board, or a lot of boards alike.

    thickness_mm, specific_gravity, diffusion_factor: above 0.  mc_percent: moisture content at the start, 0..30: one
    number, or a profile from the top face to the bottom, of equal layers or (as many values as cells) of the cells.
    specific_gravity: oven-dry mass over volume at 12 % MC.  diffusion_factor: multiplies D.
    Resistances [m2 s Pa/kg]: of the finish or layer on each face, 0 bare, infinite sealed; film_resistance, of the air
    at a face, is added to both.
    """

    thickness_mm: float
    mc_percent: float | tuple[float, ...]
    specific_gravity: float = 0.5
    top_resistance: float = 0.0
    bottom_resistance: float = 0.0
    diffusion_factor: float = 1.0
    film_resistance: float = FILM_RESISTANCE

    def __post_init__(self) -> None:
        mc = np.asarray(self.mc_percent, dtype=np.float64)
        if not all(0.0 < size < np.inf for size in (self.thickness_mm, self.specific_gravity, self.diffusion_factor)):
            raise ValueError("thickness, specific gravity and diffusion factor of a board must be above 0, and finite")
        if not min(self.top_resistance, self.bottom_resistance, self.film_resistance) >= 0.0:
            raise ValueError("no resistance of a board's face may be below 0")
        if not ((mc >= 0.0) & (mc <= HIGHEST_MC_PERCENT)).all():
            raise ValueError(f"a board's moisture content must be 0..{HIGHEST_MC_PERCENT:g} %, not {self.mc_percent}")


@dataclass(frozen=True, slots=True)
class Climate:
    """The air at one face, at equal steps: temperature [°C] and RH [%], shape (steps,).  No gaps (`bridged`)."""

    temperature_c: FloatArray
    rh_percent: FloatArray

    def __post_init__(self) -> None:
        if self.temperature_c.shape != self.rh_percent.shape or self.temperature_c.ndim != 1:
            raise ValueError("temperature and RH of a climate must be one-dimensional and alike")
        if not np.isfinite(wood.emc_percent(self.temperature_c, self.rh_percent)).all():
            raise ValueError("a climate must have no gaps and no impossible values: bridge them first, and say so")

    def turned(self, steps: int) -> Climate:
        """Give this climate, taken as a round, from `steps` later on."""
        return Climate(np.roll(self.temperature_c, -steps), np.roll(self.rh_percent, -steps))

    def repeated(self, steps: int) -> Climate:
        """Give this climate again and again until it is `steps` long."""
        return Climate(np.resize(self.temperature_c, steps), np.resize(self.rh_percent, steps))


@dataclass(frozen=True, slots=True)
class History:
    """What a simulation gave.  Boards run along the last axis of every array."""

    at_s: FloatArray  # instants of the records since the start [s]
    mean_mc_percent: FloatArray  # (records, boards)
    profile_mc_percent: FloatArray  # at the end, (cells, boards), top face to bottom
    depth_mm: FloatArray  # of the cells' middles, (cells, boards)
    taken_in_percent: FloatArray  # through both faces since the start [% MC of the whole board], (boards,)

    @property
    def rate_percent_per_day(self) -> FloatArray:
        """Give how fast the mean moved over the last recorded day, or over all if shorter [% MC per day], (boards,)."""
        first = int(np.searchsorted(self.at_s, self.at_s[-1] - 86400.0))
        first = min(first, self.at_s.size - 2)
        days = (self.at_s[-1] - self.at_s[first]) / 86400.0
        return np.asarray((self.mean_mc_percent[-1] - self.mean_mc_percent[first]) / days)


def bridged(values: FloatArray) -> tuple[FloatArray, float]:
    """Give a series with its gaps (NaN) filled by the value before (the first by the next), and the share filled, 0..1.

    For driving the model only: a bridged climate is an assumption, and whoever shows the result says how large a one.
    Raises ValueError when there is nothing but gaps.
    """
    known = np.flatnonzero(~np.isnan(values))
    if not known.size:
        raise ValueError("a climate of nothing but gaps cannot be bridged")
    last_known = np.searchsorted(known, np.arange(values.size), side="right") - 1
    return values[known[np.maximum(last_known, 0)]], 1.0 - known.size / values.size


def closed_stack(board: Board, layers: int) -> Board:
    """Give the one thick board that `layers` boards make when they lie tight on each other, faces shut off from air.

    Its edges are taken as sealed by their length, so that it is slower than a real stack with open sides.
    """
    if isinstance(board.mc_percent, tuple):
        return replace(board, thickness_mm=board.thickness_mm * layers, mc_percent=board.mc_percent * layers)
    return replace(board, thickness_mm=board.thickness_mm * layers)


def simulate(
    boards: Sequence[Board],
    top: Climate,
    bottom: Climate | None = None,
    *,
    step_s: float = 600.0,
    cells: int = CELLS,
    record_every: int = 6,
    diffusion_law: DiffusionLaw = siau_kernel,
) -> History:
    """March boards through a climate.

    top, bottom: the air at the two faces, of one length; bottom None is the same air as at the top.  step_s: length of
    a step of the climates [s].  cells: through the thickness, even.  record_every: steps between records.
    Raises ValueError for no boards, climates of different length, or an odd number of cells.
    """
    below = bottom if bottom is not None else top
    if not boards or below.temperature_c.size != top.temperature_c.size:
        raise ValueError("a simulation needs boards, and climates of one length")
    solver = _solver(boards, cells)
    drive = _Drive(boards, top, below, diffusion_law)
    refresh = max(1, round(REFRESH_S / step_s))
    steps = top.temperature_c.size
    instants, means = [0.0], [solver.content()]
    for start in range(0, steps, refresh):
        end = min(start + refresh, steps)
        solver.set_coefficients(*drive.coefficients(solver.u, start, end), step_s)
        for i in range(start, end):
            solver.step(drive.air[i])
            if (i + 1) % record_every == 0 or i + 1 == steps:
                instants.append((i + 1) * step_s)
                means.append(solver.content())
    return _history(solver, boards, np.array(instants), np.array(means), cells)


def _solver(boards: Sequence[Board], cells: int) -> SheetSolver:
    profile = np.stack([_profile(board, cells) for board in boards], axis=1) / 100.0
    return SheetSolver(profile, np.array([board.thickness_mm for board in boards]) / 1000.0, graded_widths(cells))


def _profile(board: Board, cells: int) -> FloatArray:
    given = np.atleast_1d(np.asarray(board.mc_percent, dtype=np.float64))
    if given.size in (1, cells):
        return np.broadcast_to(given, (cells,))
    return np.interp(_middles(cells), (np.arange(given.size) + 0.5) / given.size, given)


def _middles(cells: int) -> FloatArray:
    half = graded_widths(cells)
    widths = np.concatenate([half, half[::-1]])
    return np.asarray(np.cumsum(widths) - 0.5 * widths)


class _Drive:
    """The climates as the solver wants them: EMC of each face's air by step, coefficients by window."""

    def __init__(self, boards: Sequence[Board], top: Climate, bottom: Climate, law: DiffusionLaw) -> None:
        self._law = law
        self._gravity = np.tile([board.specific_gravity for board in boards], 2)
        self._factor = np.tile([board.diffusion_factor for board in boards], 2)
        resistance = [board.top_resistance + board.film_resistance for board in boards]
        resistance += [board.bottom_resistance + board.film_resistance for board in boards]
        # Oven-dry density is taken as specific gravity at 12 % MC times water's: the volume hardly matters here.
        self._conductance = 1.0 / (np.array(resistance) * 1000.0 * self._gravity)
        self._count = len(boards)
        self._temperature = np.stack([top.temperature_c, bottom.temperature_c])
        emc, drive = zip(*(_face(climate) for climate in (top, bottom)), strict=True)
        self._per_resistance = np.stack(drive)
        self.air = np.repeat(np.stack(emc, axis=1) / 100.0, self._count, axis=1)

    def coefficients(self, u: FloatArray, start: int, end: int) -> tuple[FloatArray, FloatArray]:
        """Give D [m2/s] of every cell and S [m/s] of every face for the steps from start to end."""
        face_temperature = np.repeat(self._temperature[:, start:end].mean(axis=1), self._count)
        wood_temperature = np.tile(0.5 * (face_temperature[: self._count] + face_temperature[self._count :]), 2)
        diffusivity = self._law(100.0 * u, wood_temperature + ZERO_C_IN_K, self._gravity)
        diffusivity *= self._factor
        return diffusivity, np.repeat(self._per_resistance[:, start:end].mean(axis=1), self._count) * self._conductance


def _face(climate: Climate) -> tuple[FloatArray, FloatArray]:
    """Give EMC [%] and p_sat dRH/dEMC [Pa], with which a vapour resistance becomes a surface coefficient."""
    emc = np.minimum(wood.emc_percent(climate.temperature_c, climate.rh_percent), HIGHEST_MC_PERCENT)
    slope = wood.emc_slopes(climate.temperature_c, climate.rh_percent).per_rh_percent
    return emc, 1000.0 * k.saturation(climate.temperature_c) / slope


def _history(
    solver: SheetSolver, boards: Sequence[Board], instants: FloatArray, contents: FloatArray, cells: int
) -> History:
    thickness_m = np.array([board.thickness_mm for board in boards]) / 1000.0
    taken_in = solver.taken_in[: len(boards)] + solver.taken_in[len(boards) :]
    return History(
        at_s=instants,
        mean_mc_percent=100.0 * contents / thickness_m,
        # The march rounds: a cell at fibre saturation may lie 1e-13 above it, where no board may begin again.
        profile_mc_percent=np.clip(100.0 * solver.profile(), 0.0, HIGHEST_MC_PERCENT),
        depth_mm=_middles(cells)[:, None] * thickness_m * 1000.0,
        taken_in_percent=100.0 * taken_in / thickness_m,
    )
