"""What of a window chart follows from its axes and the window alone, and is shared by all rooms of the like. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np

from ingest.present.chart_axes import Floats, Scale
from ingest.present.chart_path import path_through, thinned
from ingest.present.window_region import EmcLine, Frame, Ribbon, emc_line, emc_lines, window_ribbons
from ingest.present.window_sheet import Sheet
from ingest.site.places import AcclimationWindow, Bounds

_HAIR: Final = 0.05
"""How far a computed curve may be drawn beside itself (drawing units)."""


@dataclass(frozen=True, slots=True)
class Board:
    """A part of the plane laid out on a sheet."""

    frame: Frame
    sheet: Sheet

    @property
    def box(self) -> tuple[int, int, int, int]:
        """Left, top, right and bottom of the board."""
        left, top, right, bottom = self.sheet.margins
        return left, top, self.sheet.width - right, self.sheet.height - bottom

    @property
    def across(self) -> Scale:
        """Temperature (°C) to the right."""
        left, _, right, _ = self.box
        return Scale(self.frame.temperature_low_c, self.frame.temperature_high_c, left, right)

    @property
    def up(self) -> Scale:
        """RH (%) upwards."""
        _, top, _, bottom = self.box
        return Scale(self.frame.rh_low_percent, self.frame.rh_high_percent, bottom, top)

    def points(self, temperature_c: Floats, rh_percent: Floats) -> Floats:
        """Give where values lie, float64 (n, 2)."""
        return np.column_stack((self.across.positions(temperature_c), self.up.positions(rh_percent)))


class Ring(NamedTuple):
    """A line of equal EMC.  points: float64 (n, 2).  path: as data of SVG."""

    emc_percent: float
    points: Floats
    path: str


@lru_cache(maxsize=64)
def rings(board: Board) -> tuple[Ring, ...]:
    """Draw the lines of equal EMC, like the rings of a trunk cut across."""
    return tuple(_ring(line, board) for line in emc_lines(board.frame))


def _ring(line: EmcLine, board: Board) -> Ring:
    points = board.points(line.temperature_c, line.rh_percent)
    return Ring(line.emc_percent, points, path_through(_smooth(points)))


@lru_cache(maxsize=256)
def outlines(window: AcclimationWindow, board: Board) -> tuple[str, ...]:
    """Draw around the window's region: one outline, or several where its bounds cut it apart."""
    return tuple(_outline(ribbon, board) for ribbon in window_ribbons(window, board.frame))


def _outline(ribbon: Ribbon, board: Board) -> str:
    there = path_through(_smooth(board.points(ribbon.temperature_c, ribbon.high_percent)))
    back = path_through(_smooth(board.points(ribbon.temperature_c, ribbon.low_percent)[::-1])).replace("M", "L", 1)
    return f"{there}{back}Z"


@lru_cache(maxsize=256)
def scribed(window: AcclimationWindow, board: Board) -> tuple[str, ...]:
    """Draw each bound right across the board, as a joiner scribes a line past its corners."""
    return tuple(_scribed(window, board))


def _scribed(window: AcclimationWindow, board: Board) -> Iterator[str]:
    left, top, right, bottom = board.box
    for x in edges(window.temperature_c, board.across):
        yield f"M{x:.1f} {top}V{bottom}"
    for y in edges(window.rh_percent, board.up):
        yield f"M{left} {y:.1f}H{right}"
    if window.emc_percent is not None:
        for level in (window.emc_percent.low, window.emc_percent.high):
            for line in emc_line(level, board.frame) if level is not None else ():
                yield _ring(line, board).path


def edges(bounds: Bounds | None, scale: Scale) -> list[float]:
    """Give where the ends of bounds lie, those that lie on the scale."""
    ends = () if bounds is None else (bounds.low, bounds.high)
    return [scale.at(end) for end in ends if end is not None and scale.low < end < scale.high]


def _smooth(curve: Floats) -> Floats:
    """Give the fewer points with which a computed curve is as smooth to the eye."""
    return thinned(curve, _HAIR)
