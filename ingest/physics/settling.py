"""When a board will be within tolerance of its target if the room stays as it has been.

Each answer comes with its width: the same with moisture moving twice and half as fast (`diffusivity.SPREAD_FACTOR`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ingest.physics.board import Board, Climate, History, simulate
from ingest.physics.diffusivity import SPREAD_FACTOR
from ingest.physics.pointwise import FloatArray

LONGEST_DAYS: Final = 730.0
SETTLING_STEP_S: Final = 3600.0
_SECONDS_PER_DAY: Final = 86400.0
_CHUNK_DAYS: Final = 28.0
_AT_REST_PERCENT: Final = 0.005  # less than this between the halves of a month: it has arrived, wherever that is


@dataclass(frozen=True, slots=True)
class Settling:
    """When the mean moisture content comes within tolerance of the target and stays there [days from the start].

    None: not within the days looked at (`looked_days`), because it is slower than that or the room does not lead there.
    fastest_days, slowest_days: with diffusion twice as fast and half as fast as computed.
    """

    days: float | None
    fastest_days: float | None
    slowest_days: float | None
    target_percent: float
    tolerance_percent: float
    final_mc_percent: float  # mean at the end of the days looked at, central case
    looked_days: float


def settling(
    board: Board,
    top: Climate,
    bottom: Climate | None = None,
    *,
    target_percent: float,
    tolerance_percent: float = 0.5,
    step_s: float = SETTLING_STEP_S,
    longest_days: float = LONGEST_DAYS,
) -> Settling:
    """Give when a board settles to a target, the climates being repeated for as long as it takes.

    top, bottom: the climate to go on with, at steps of step_s [s]: one step of the mean climate, or the last weeks.
    target_percent, tolerance_percent: [% MC].  Raises ValueError when the tolerance is not above 0.
    """
    cases = _cases(board)
    if not tolerance_percent > 0.0:
        raise ValueError(f"the tolerance must be above 0 % MC, not {tolerance_percent}")
    at_days, means = np.zeros(1), np.empty((0, len(cases)))
    for chunk in _chunks(cases, top, bottom, step_s, longest_days):
        start = at_days[-1]
        means = np.concatenate([means, chunk.mean_mc_percent[int(means.shape[0] > 0) :]])
        at_days = np.concatenate([at_days, start + chunk.at_s[1:] / _SECONDS_PER_DAY])
        if _nothing_more_to_see(chunk, target_percent, tolerance_percent):
            break
    days = [_settled_at(at_days, np.abs(case - target_percent) - tolerance_percent) for case in means.T]
    return Settling(
        days=days[0],
        fastest_days=days[1],
        slowest_days=days[2],
        target_percent=target_percent,
        tolerance_percent=tolerance_percent,
        final_mc_percent=float(means[-1, 0]),
        looked_days=float(at_days[-1]),
    )


def _cases(board: Board) -> list[Board]:
    """Give the board as computed, with diffusion twice as fast, and with diffusion half as fast."""
    factors = (1.0, SPREAD_FACTOR, 1.0 / SPREAD_FACTOR)
    return [replace(board, diffusion_factor=board.diffusion_factor * factor) for factor in factors]


def _carried(cases: Sequence[Board], history: History) -> list[Board]:
    """Give the boards as a simulation left them."""
    profiles = history.profile_mc_percent.T.tolist()
    return [replace(case, mc_percent=tuple(profile)) for case, profile in zip(cases, profiles, strict=True)]


def _chunks(
    cases: Sequence[Board], top: Climate, bottom: Climate | None, step_s: float, longest_days: float
) -> Iterator[History]:
    """March on a month at a time, the climates going round, until the longest time is through."""
    per_chunk = max(2, round(_CHUNK_DAYS * _SECONDS_PER_DAY / step_s))
    left = max(2, round(longest_days * _SECONDS_PER_DAY / step_s))
    gone = 0
    while left > 0:
        steps = min(per_chunk, left)
        below = None if bottom is None else bottom.turned(gone).repeated(steps)
        history = simulate(cases, top.turned(gone).repeated(steps), below, step_s=step_s, record_every=1)
        yield history
        cases = _carried(cases, history)
        left -= steps
        gone += steps


def _nothing_more_to_see(chunk: History, target: float, tolerance: float) -> bool:
    """Say whether every case is within tolerance at the end, or has gone as far as the room leads it."""
    means = chunk.mean_mc_percent
    half = means.shape[0] // 2
    at_rest = np.abs(means[half:].mean(axis=0) - means[:half].mean(axis=0)) < _AT_REST_PERCENT
    return bool(((np.abs(means[-1] - target) <= tolerance) | at_rest).all())


def _settled_at(at_days: FloatArray, away: FloatArray) -> float | None:
    """Give the instant from which `away`, the distance from tolerance, stays below 0; None if above at the end."""
    if away[-1] > 0.0:
        return None
    outside = np.flatnonzero(away > 0.0)
    if not outside.size:
        return 0.0
    last = int(outside[-1])
    part = away[last] / (away[last] - away[last + 1])
    return float(at_days[last] + part * (at_days[last + 1] - at_days[last]))
