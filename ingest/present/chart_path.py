"""A line of a chart as path data of SVG. Pure."""

from __future__ import annotations

from math import isfinite

from ingest.site.series import Floats


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
