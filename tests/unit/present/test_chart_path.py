"""Fewer points for the same line: how far it may stray, and what must stay."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from ingest.present.chart_path import needed, path_through, thinned


def distance_to(points: np.ndarray, line: np.ndarray) -> np.ndarray:
    """Give how far points lie from a line through others."""
    begins, ends = line[:-1], line[1:]
    way = ends - begins
    own = points[:, None] - begins
    length = np.maximum((way * way).sum(axis=1), 1e-12)
    share = np.clip((own * way).sum(axis=2) / length, 0, 1)
    return np.hypot(*np.moveaxis(own - share[:, :, None] * way, 2, 0)).min(axis=1)


@given(npst.arrays(np.float64, st.tuples(st.integers(2, 60), st.just(2)), elements=st.floats(0, 300)))
def test_every_point_stays_near_the_line_that_is_drawn(points):
    """In each of four passes a point may be left out that is `slack` from what stays: four times that at the most."""
    drawn = thinned(points, 0.5, passes=4)
    assert (distance_to(points, drawn) <= 4 * 0.5 + 1e-6).all()
    assert (drawn[[0, -1]] == points[[0, -1]]).all()


def test_a_smooth_curve_needs_few_points_and_a_spike_stays():
    """A straight stretch is its two ends; what sticks out by more than the slack is kept as it is."""
    x = np.arange(200.0)
    assert len(thinned(np.column_stack((x, 2 * x)), 0.05)) < 10
    spike = np.zeros(200)
    spike[100] = 5.0
    assert [100.0, 5.0] in thinned(np.column_stack((x, spike)), 0.5).tolist()


def test_a_gap_stays_a_gap():
    """The pencil is lifted where it was, and the points beside the gap are where they were."""
    points = np.column_stack((np.arange(50.0), np.zeros(50)))
    points[20:23] = np.nan
    path = path_through(thinned(points, 0.5))
    assert path.count("M") == 2
    assert "L19.0 0.0M23.0 0.0" in path


def test_fixed_points_stay():
    """Where a path is cut into pieces it has its points."""
    points = np.column_stack((np.arange(50.0), np.zeros(50)))
    fixed = np.zeros(50, np.bool_)
    fixed[[7, 31]] = True
    kept = needed(points, 0.5, fixed=fixed)
    assert kept[[0, 7, 31, 49]].all()
    assert kept.sum() < 20
