"""What a room's air has done to the boards in it: the board model driven by the air as it was. Pure; an estimate.

How far to trust it is said in `ingest.physics.board`: published diffusion coefficients differ by a factor of two either
way, and what a board was before the first reading is assumed. A meter's readings decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.physics import wood
from ingest.physics.board import HIGHEST_MC_PERCENT, Board, Climate, bridged, simulate
from ingest.physics.movement import FLAT_SAWN_DEGREES, QUARTER_SAWN_DEGREES, fractional_change
from ingest.physics.species import find_species
from ingest.site.boards import Boards
from ingest.site.series import Floats, Int64s

STEP_S: Final = 3600.0
FINE_STEP_S: Final = 600.0
_FINE_UP_TO_S: Final = 14 * 86_400.0
_ORDINARY_GRAVITY: Final = 0.5


@dataclass(frozen=True, slots=True)
class BoardEstimate:
    """What a lot of boards has come to, by the model.

    start_mc_percent: mean at the beginning (% MC).  mean_mc_percent: at the end.  surface_mc_percent: of the face that
    the air touches, at the end.  moved_percent: the mean's move since the beginning (% MC, negative dries).
    width_change_mm: of one board, were it free to move (mm, negative shrinks).  profile_mc_percent: at the end, top
    face to bottom, of the model's cells: what a later estimate starts from.
    bridged_share: the part of the time for which no air was known and the air before was taken to have lasted, 0..1.
    """

    start_mc_percent: float
    mean_mc_percent: float
    surface_mc_percent: float
    moved_percent: float
    width_change_mm: float
    profile_mc_percent: tuple[float, ...]
    bridged_share: float = 0.0


def board_estimate(
    times_ms: Int64s,
    temperature_c: Floats,
    rh_percent: Floats,
    board: Boards,
    start_mc_percent: float | tuple[float, ...] | None = None,
) -> BoardEstimate | None:
    """Estimate what the air between the first and the last instant has done to a board.

    times_ms: UTC, rising, (n,), any spacing.  temperature_c, rh_percent: (n,), NaN where unknown.
    start_mc_percent: mean or profile at the first instant (% MC); None: as the board says, or else in balance with the
    first air.  The air of each step (ten minutes up to a fortnight, an hour beyond) is its mean; steps without any keep
    the air before.
    None where there is no air to go by, or no time between the instants.
    """
    climate = _climate(times_ms, temperature_c, rh_percent)
    if climate is None:
        return None
    air, step_s, share = climate
    start = _start(start_mc_percent if start_mc_percent is not None else board.mc_percent, air)
    history = simulate([described(board, start)], air, step_s=step_s, record_every=air.temperature_c.size)
    first, mean = float(history.mean_mc_percent[0, 0]), float(history.mean_mc_percent[-1, 0])
    profile = history.profile_mc_percent[:, 0]
    return BoardEstimate(
        start_mc_percent=first,
        mean_mc_percent=mean,
        surface_mc_percent=float(profile[0]),
        moved_percent=mean - first,
        width_change_mm=width_change_mm(board, first, mean),
        profile_mc_percent=tuple(profile.tolist()),
        bridged_share=share,
    )


def described(board: Boards, start_mc_percent: float | tuple[float, ...]) -> Board:
    """Give the model's board of a lot, as it is at the start (% MC, mean or profile)."""
    gravity = find_species(board.species).specific_gravity_12
    return Board(
        thickness_mm=board.thickness_mm,
        mc_percent=start_mc_percent,
        specific_gravity=_ORDINARY_GRAVITY if gravity is None else gravity,
        bottom_resistance=0.0 if board.both_faces else float("inf"),
    )


def width_change_mm(board: Boards, from_mc_percent: float, to_mc_percent: float) -> float:
    """Give by how much a free board's width changes between two moisture contents (mm, negative shrinks)."""
    angle = QUARTER_SAWN_DEGREES if board.quarter_sawn else FLAT_SAWN_DEGREES
    fraction, _ = fractional_change(find_species(board.species), from_mc_percent, to_mc_percent, angle)
    return board.width_mm * fraction


def balance_percent(climate: Climate) -> float:
    """Give the moisture content in balance with a climate's first step (% MC)."""
    return float(np.minimum(wood.emc_percent(climate.temperature_c[:1], climate.rh_percent[:1]), HIGHEST_MC_PERCENT)[0])


def _start(given: float | tuple[float, ...] | None, air: Climate) -> float | tuple[float, ...]:
    return balance_percent(air) if given is None else given


def _climate(times_ms: Int64s, temperature_c: Floats, rh_percent: Floats) -> tuple[Climate, float, float] | None:
    """Give the air in even steps, how long a step is (s), and the share of steps without any."""
    possible = np.isfinite(wood.emc_percent(temperature_c, rh_percent))
    span_s = 0.0 if len(times_ms) < 2 else (int(times_ms[-1]) - int(times_ms[0])) / 1000
    if span_s <= 0 or not possible.any():
        return None
    step_s = FINE_STEP_S if span_s <= _FINE_UP_TO_S else STEP_S
    steps = max(1, round(span_s / step_s))
    index = np.minimum((times_ms[possible] - times_ms[0]) // round(step_s * 1000), steps - 1)
    count = np.bincount(index, minlength=steps)
    columns = []
    share = 0.0
    for values in (temperature_c, rh_percent):
        total = np.bincount(index, weights=values[possible], minlength=steps)
        mean = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        filled, share = bridged(mean)
        columns.append(filled)
    return Climate(*columns), step_s, float(share)
