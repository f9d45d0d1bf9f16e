"""The ground of a window chart: all of it that stays while only the newest points move. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final, NamedTuple
from xml.sax.saxutils import quoteattr

import numpy as np

from ingest.present.chart_axes import Floats, Scale, ticks
from ingest.present.digits import in_units, number, unit
from ingest.present.window_board import edges, outlines, rings, scribed
from ingest.present.window_labels import Surroundings, coarse, label_places
from ingest.present.window_layout import GRAIN_MS, Layout, age_path, few
from ingest.present.window_sheet import AGE_STEPS

_EXACT: Final = 0.05
_MARK_CELL: Final = 12.0
"""A mark may move within a cell of this size (drawing units) before labels and ground are looked at again."""


class Ground(NamedTuple):
    """What of a chart stays while only its newest points move.

    name: of all that it was drawn from, see `ground_name`.  svg: from the board up to the paths.  trodden: the places
    that the path comes near, float64 (n, 2).
    """

    name: tuple[object, ...]
    svg: str
    trodden: Floats


def ground_name(layout: Layout, told: tuple[object, ...]) -> tuple[object, ...]:
    """Name all that a ground is drawn from.

    Marks count by the cell that they stand in, or as they are where the ground has their last stretch of path.
    """
    picture, marks = layout.picture, []
    for end, last, steps in zip(layout.ends, layout.last, layout.steps, strict=True):
        # A piece of the path goes one point further than its step: into the newest step, and maybe as far as the mark.
        cell = _MARK_CELL if last and steps[last - 1] == 0 else _EXACT
        marks.append(None if end is None else (round(end[0] / cell), round(end[1] / cell)))
    day = picture.now_ms // GRAIN_MS
    return (picture.ident, picture.window, picture.units, layout.sheet, layout.board.frame, day, tuple(marks), told)


def ground_of(layout: Layout, told: tuple[object, ...]) -> Ground:
    """Draw the ground."""
    drawing = _Ground(layout)
    return Ground(ground_name(layout, told), "".join(drawing.parts()), drawing.trodden)


class _Ground:
    """A ground being drawn: each layer as a piece of SVG."""

    def __init__(self, layout: Layout) -> None:
        self.layout, self.picture, self.sheet, self.box = layout, layout.picture, layout.sheet, layout.box
        self.across, self.up = layout.across, layout.up
        self.rings = rings(layout.board)
        self.points = [layout.points(trace) for trace in layout.picture.traces]
        self.trodden = coarse(np.concatenate(self.points or [np.empty((0, 2))]))

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
        hatch = f"{self.picture.ident}-hatch"
        yield (
            f'<defs><pattern id={quoteattr(hatch)} width="9" height="9" patternUnits="userSpaceOnUse">'
            '<path class="wc-hatch" d="M-1 10L10 -1M-1 1L1 -1M8 10L10 8"/></pattern></defs>'
        )
        for outline in outlines(window, self.layout.board):
            yield f'<path fill={quoteattr(f"url(#{hatch})")} d="{outline}"/><path class="wc-window" d="{outline}"/>'
        for line in scribed(window, self.layout.board):
            yield f'<path class="wc-scribed" d="{line}"/>'

    def _rings(self) -> Iterator[str]:
        for ring in self.rings:
            yield f'<path class="wc-ring" d="{ring.path}"/>'

    def _ring_labels(self) -> Iterator[str]:
        window = self.layout.picture.window
        across = edges(window.temperature_c, self.across) if window else []
        up = edges(window.rh_percent, self.up) if window else []
        around = Surroundings(self.box, self.sheet.text, self.trodden, across, up)
        places = label_places([ring.points for ring in self.rings], around)
        placed = [(ring, at) for ring, at in zip(self.rings, places, strict=True) if at is not None]
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
