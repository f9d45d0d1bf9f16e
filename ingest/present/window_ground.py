"""The ground of a window chart: all of it that stays while only the newest points move. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np

from ingest.present.chart_axes import Floats, Scale, ticks
from ingest.present.digits import in_units, number, unit
from ingest.present.window_board import edges, outlines, rings, scribed
from ingest.present.window_labels import Surroundings, clearance, coarse, label_places
from ingest.present.window_layout import GRAIN_MS, Layout, age_path, few
from ingest.present.window_sheet import AGE_STEPS

_HAIR: Final = 0.05
_MARK_MOVES: Final = 12.0
"""A mark beside a label may move so far (drawing units) before another place is looked for."""


class Ground(NamedTuple):
    """What of a chart stays while only its newest points move.

    name: of all that it was drawn from but for the marks, see `ground_name`.  svg: from the board up to the paths.
    trodden: the places that the path comes near, float64 (n, 2).  labels: where they stand, float64 (n, 2).  marks:
    where these stood, float64 (n, 2).
    """

    name: tuple[object, ...]
    svg: str
    trodden: Floats
    labels: Floats
    marks: Floats


def ground_name(layout: Layout, told: tuple[object, ...]) -> tuple[object, ...]:
    """Name all that a ground is drawn from, but for marks that lie beyond it."""
    picture, old = layout.picture, []
    for end, last, steps in zip(layout.ends, layout.last, layout.steps, strict=True):
        # A piece of the path goes one point further than its step: into the newest step, and maybe as far as the mark.
        drawn = end is not None and not (last and steps[last - 1] == 0)
        old.append((round(end[0] / _HAIR), round(end[1] / _HAIR)) if drawn and end is not None else None)
    day = picture.now_ms // GRAIN_MS
    return (picture.ident, picture.window, picture.units, layout.sheet, layout.board.frame, day, tuple(old), told)


def holds(ground: Ground, layout: Layout, told: tuple[object, ...]) -> bool:
    """Say whether a ground is that of a picture; labels make way when a mark comes near."""
    if ground.name != ground_name(layout, told):
        return False
    marks = _marks(layout)
    if len(marks) != len(ground.marks):
        return False
    far = clearance(marks, ground.labels) > 2 * layout.sheet.text
    stayed = np.abs(marks - ground.marks).max(axis=1, initial=0.0) < _MARK_MOVES
    return bool((far | stayed).all())


def _marks(layout: Layout) -> Floats:
    return np.array([end for end in layout.ends if end is not None], dtype=np.float64).reshape(-1, 2)


def ground_of(layout: Layout, told: tuple[object, ...]) -> Ground:
    """Draw the ground.  told: names what the traces were told before their last points: equal names, equal points."""
    drawing = _Ground(layout)
    svg = "".join(drawing.parts())
    labels = np.array([at for at in drawing.places if at is not None], dtype=np.float64).reshape(-1, 2)
    return Ground(ground_name(layout, told), svg, drawing.trodden, labels, _marks(layout))


class _Ground:
    """A ground being drawn: each layer as a piece of SVG."""

    def __init__(self, layout: Layout) -> None:
        self.layout, self.picture, self.sheet, self.box = layout, layout.picture, layout.sheet, layout.box
        self.across, self.up = layout.across, layout.up
        self.rings = rings(layout.board)
        self.points = [layout.points(trace) for trace in layout.picture.traces]
        self.trodden = coarse(np.concatenate(self.points or [np.empty((0, 2))]))
        self.places = label_places([ring.points for ring in self.rings], self._around())

    def parts(self) -> Iterator[str]:
        """Give it from the board up."""
        yield from self._board()
        yield from self._rings()
        yield from self._window()
        yield from self._ring_labels()
        yield from self._axes()
        # The leading one last, so that it lies on top.
        paths = few(list(zip(self.points, self.layout.steps, strict=True)), self.sheet.slack)
        for points, steps in reversed(paths):
            yield from age_path(points, steps, range(AGE_STEPS - 1, 0, -1))

    def _board(self) -> Iterator[str]:
        left, top, right, bottom = self.box
        yield f'<rect class="wc-board" x="{left}" y="{top}" width="{right - left}" height="{bottom - top}"/>'

    def _window(self) -> Iterator[str]:
        window = self.picture.window
        if window is None:
            return
        for outline in outlines(window, self.layout.board):
            yield f'<path class="wc-window" d="{outline}"/>'
        for line in scribed(window, self.layout.board):
            yield f'<path class="wc-scribed" d="{line}"/>'

    def _rings(self) -> Iterator[str]:
        for ring in self.rings:
            yield f'<path class="wc-ring" d="{ring.path}"/>'

    def _around(self) -> Surroundings:
        window = self.picture.window
        across = edges(window.temperature_c, self.across) if window else []
        up = edges(window.rh_percent, self.up) if window else []
        return Surroundings(self.box, self.sheet.text, self.trodden, across, up)

    def _ring_labels(self) -> Iterator[str]:
        placed = [(ring, at) for ring, at in zip(self.rings, self.places, strict=True) if at is not None]
        for index, (ring, (x, y)) in enumerate(placed):
            # The uppermost says of what these are the figures.
            word = f"EMC {ring.emc_percent:g} %" if index == len(placed) - 1 else f"{ring.emc_percent:g} %"
            yield f'<text class="wc-ring-label" x="{x:.1f}" y="{y + self.sheet.text * 0.32:.1f}">{word}</text>'

    def _axes(self) -> Iterator[str]:
        yield from self._temperature_axis()
        left, top, _, bottom = self.box
        for value in ticks(self.up.low, self.up.high, self.sheet.ticks_up):
            y = self.up.at(value)
            base = y + self.sheet.text * 0.34
            yield f'<path class="wc-tick" d="M{left - 5} {y:.1f}H{left}"/>'
            yield f'<text class="wc-tick-up" x="{left - 8}" y="{base:.1f}">{number(value, 0)}</text>'
        x = self.sheet.text * 0.95
        middle = (top + bottom) / 2
        if self.sheet.ages:
            yield (
                f'<text class="wc-axis" x="{x:.1f}" y="{middle}" transform="rotate(-90 {x:.1f} {middle})">'
                "Relative humidity, %</text>"
            )

    def _temperature_axis(self) -> Iterator[str]:
        units, (left, _, right, bottom) = self.picture.units, self.box
        low, high = (in_units("temperature_c", end, units) for end in (self.across.low, self.across.high))
        shown = Scale(low, high, left, right)
        for value in ticks(low, high, self.sheet.ticks_across):
            x = shown.at(value)
            base = bottom + 6 + self.sheet.text
            yield f'<path class="wc-tick" d="M{x:.1f} {bottom}v5"/>'
            yield f'<text class="wc-tick-across" x="{x:.1f}" y="{base}">{number(value, 0)}</text>'
        if self.sheet.ages:
            title = f"Temperature, {unit('temperature_c', units)}"
            x = (left + right) / 2
            yield f'<text class="wc-axis" x="{x}" y="{self.sheet.height - self.sheet.text * 0.5:.1f}">{title}</text>'
