"""Where a window chart's values come to lie on its sheet, and the pieces in which a path fades. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from ingest.present.chart_axes import Floats
from ingest.present.chart_path import needed, path_through
from ingest.present.window_board import Board
from ingest.present.window_picture import Trace, WindowPicture, frame_of, known_points
from ingest.present.window_sheet import AGE_STEPS, Sheet
from ingest.site.series import Int64s

DAY_MS: Final = 86_400_000
GRAIN_MS: Final = 600_000
"""The path fades in steps of this length: as fine as a day is usually drawn."""


class Layout:
    """Where a picture's values come to lie on a sheet.

    ends: where the last known point of each trace lies, None where there is none.  steps: of each trace, in which step
    of age each point lies, int64 (n,).
    """

    def __init__(self, picture: WindowPicture, sheet: Sheet) -> None:
        self.picture = picture
        self.sheet = sheet
        self.board = Board(frame_of(picture), sheet)
        self.box, self.across, self.up = self.board.box, self.board.across, self.board.up
        self.last = [int(known[-1]) if len(known := known_points(trace)) else None for trace in picture.traces]
        self.ends = [self._end(trace, last) for trace, last in zip(picture.traces, self.last, strict=True)]
        self.steps = [self._steps(trace) for trace in picture.traces]

    def points(self, trace: Trace) -> Floats:
        """Give where a trace's points lie."""
        return self.board.points(trace.temperature_c, trace.rh_percent)

    def _steps(self, trace: Trace) -> Int64s:
        # All pieces of a path fade together, at full steps of time.
        now_ms = self.picture.now_ms // GRAIN_MS * GRAIN_MS
        age = np.clip((now_ms - trace.at_ms) / DAY_MS, 0.0, 1.0)
        return np.minimum((age * AGE_STEPS).astype(np.int64), AGE_STEPS - 1)

    def _end(self, trace: Trace, last: int | None) -> tuple[float, float] | None:
        if last is None:
            return None
        return self.across.at(float(trace.temperature_c[last])), self.up.at(float(trace.rh_percent[last]))


def age_path(points: Floats, steps: Int64s, wanted: range) -> Iterator[str]:
    """Draw the pieces of a path that lie in some steps of age."""
    for step in wanted:
        own = np.flatnonzero(steps == step)
        if len(own):
            # One point more, so that the pieces join.
            piece = points[own[0] : own[-1] + 2]
            yield f'<path class="wc-path wc-age-{step}" d="{path_through(piece)}"/>'


def few(paths: Sequence[tuple[Floats, Int64s]], slack: float) -> list[tuple[Floats, Int64s]]:
    """Give paths (points and steps of age) with the fewer points that look the same; pieces still join."""
    if not paths or slack <= 0:
        return list(paths)
    # All in one go, with a point that is not known between two paths.
    gap, none = np.full((1, 2), np.nan), np.full(1, -1)
    points = np.concatenate([part for path, _ in paths for part in (path, gap)])
    steps = np.concatenate([part for _, step in paths for part in (step, none)])
    turns = np.append(steps[1:] != steps[:-1], True)
    fixed = turns | np.insert(turns[:-1], 0, True)
    kept = needed(points, slack, fixed=fixed)
    cuts = np.cumsum([len(path) + 1 for path, _ in paths])
    begins = [0, *cuts[:-1].tolist()]
    pieces = [slice(begin, end - 1) for begin, end in zip(begins, cuts.tolist(), strict=True)]
    return [(points[piece][kept[piece]], steps[piece][kept[piece]]) for piece in pieces]
