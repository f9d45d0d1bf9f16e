"""Where the labels of the lines of equal EMC stand on a window chart: clear of the path, the marks and the edges. Pure.

All places of all lines are weighed in one go: a hundred charts on an overview must not cost a hundred thousand small
questions of distance.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.present.chart_axes import Floats

_COARSE: Final = 3.0
"""What was trodden is known this well (drawing units): a label keeps further away than that anyway."""

_GOOD: Final = 0.55
"""A place in the common column that fits this well is taken before a better one beside it."""


class Surroundings(NamedTuple):
    """What labels keep clear of.

    box: left, top, right, bottom of the board.  text: size of the writing.  trodden: points of the path and the marks,
    float64 (n, 2).  across, up: where the window's straight edges run.
    """

    box: tuple[float, float, float, float]
    text: float
    trodden: Floats
    across: Sequence[float]
    up: Sequence[float]

    @property
    def room(self) -> float:
        """How far from its middle a label reaches."""
        return len("EMC 10 %") * self.text * 0.3 + 6


def coarse(points: Floats) -> Floats:
    """Give the places that points come near, each once; points that are not known are left out."""
    known = points[np.isfinite(points).all(axis=1)]
    cells = np.round(known / _COARSE).astype(np.int64)
    # As one number each they are sorted in a tenth of the time that pairs take.
    once = np.unique((cells[:, 0] << 20) + cells[:, 1] + (1 << 19))
    return np.column_stack((once >> 20, (once & ((1 << 20) - 1)) - (1 << 19))) * _COARSE


def clearance(places: Floats, trodden: Floats) -> Floats:
    """Give how far each place lies from what was trodden; infinitely far where nothing was."""
    if not len(trodden) or not len(places):
        return np.full(len(places), np.inf)
    across = places[:, 0, None] - trodden[:, 0]
    up = places[:, 1, None] - trodden[:, 1]
    nearest: Floats = np.sqrt((across * across + up * up).min(axis=1))
    return nearest


def label_places(lines: Sequence[Floats], around: Surroundings) -> list[tuple[float, float] | None]:
    """Give for each line, drawn through points (n, 2), where its label stands; None where it has no room.

    One below the other the labels read like a scale: they stand in one column where they can.
    """
    candidates = [_candidates(line, around) for line in lines]
    if not any(len(places) for places in candidates):
        return [None] * len(lines)
    whole = np.concatenate(candidates)
    cuts = np.cumsum([len(places) for places in candidates])[:-1]
    fit = np.split(_fitness(whole, around), cuts)
    column = _column(candidates, fit)
    return [_place(places, fits, column) for places, fits in zip(candidates, fit, strict=True)]


def _candidates(line: Floats, around: Surroundings) -> Floats:
    (left, top, right, bottom), points = around.box, line[::6]
    inside = (points[:, 0] > left + around.room) & (points[:, 0] < right - around.room)
    return points[inside & (points[:, 1] > top + around.text) & (points[:, 1] < bottom - 4)]


def _fitness(places: Floats, around: Surroundings) -> Floats:
    """Say how well a label stands at each place, 0 to 1: away from the path and from the window's straight edges."""
    text, room = around.text, around.room
    fit = np.minimum(clearance(places, around.trodden) / (room + text), 1.0)
    for x in around.across:
        fit = np.minimum(fit, np.abs(places[:, 0] - x) / room)
    for y in around.up:
        fit = np.minimum(fit, np.abs(places[:, 1] - y) / text)
    return fit


def _column(candidates: Sequence[Floats], fit: Sequence[Floats]) -> float:
    """Give the x at which, over all the lines, labels stand best; of equal ones that furthest to the right."""
    worth: dict[float, float] = {}
    for places, fits in zip(candidates, fit, strict=True):
        own = dict(zip(places[:, 0].round(1).tolist(), fits.tolist(), strict=True))
        for x, one in own.items():
            worth[x] = worth.get(x, 0.0) + one
    return max(sorted(worth, reverse=True), key=lambda x: worth[x])


def _place(places: Floats, fit: Floats, column: float) -> tuple[float, float] | None:
    if not len(places):
        return None
    common = np.flatnonzero(np.abs(places[:, 0] - column) < 1.0)
    best = len(fit) - 1 - int(np.argmax(fit[::-1]))
    chosen = int(common[0]) if len(common) and fit[common[0]] > _GOOD else best
    return float(places[chosen, 0]), float(places[chosen, 1])
