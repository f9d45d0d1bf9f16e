"""A line of a chart as path data of SVG. Pure."""

from __future__ import annotations

from math import isfinite

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Floats

Bools = NDArray[np.bool_]


def path_through(points: Floats) -> str:
    """Give path data through the points (float64 (n, 2)), lifting the pencil over points that are not known."""
    pieces: list[str] = []
    drawing = False
    for x, y in points.tolist():
        known = isfinite(x) and isfinite(y)
        if known:
            # "h0" gives a point between two gaps the length that its round cap needs to be seen.
            pieces.append(f"L{x:.1f} {y:.1f}" if drawing else f"M{x:.1f} {y:.1f}h0")
        drawing = known
    return "".join(pieces)


def thinned(points: Floats, slack: float, *, passes: int = 8) -> Floats:
    """Give fewer points that draw the same line to the eye (see `needed`)."""
    return points[needed(points, slack, passes=passes)]


def needed(points: Floats, slack: float, *, passes: int = 4, fixed: Bools | None = None) -> Bools:
    """Say which points a line needs to look the same.

    points: float64 (n, 2).  slack: how far a point may lie from the straight line between its neighbours to be left out
    (drawing units); in each pass at most every other one is.  The first and last point stay, and so do points that are
    not known, those beside them, and those of `fixed`.
    """
    kept = np.ones(len(points), np.bool_)
    if slack <= 0:
        return kept
    for number in range(passes):
        which = np.flatnonzero(kept)
        own = which[1 + number % 2 : -1 : 2]
        if not len(own):
            break
        # Of what is not known no distance is small.
        aside = _aside(points[which])[number % 2 :: 2] <= slack
        kept[own[aside if fixed is None else aside & ~fixed[own]]] = False
    return kept


def _aside(points: Floats) -> Floats:
    """Give for each point but the first and last how far it lies from the stretch between its neighbours."""
    before, at, after = points[:-2], points[1:-1], points[2:]
    way, own = after - before, at - before
    length = (way * way).sum(axis=1)
    share = np.clip((own * way).sum(axis=1) / np.where(length > 0, length, 1.0), 0.0, 1.0)
    off = own - share[:, None] * way
    aside: Floats = np.sqrt((off * off).sum(axis=1))
    return aside
