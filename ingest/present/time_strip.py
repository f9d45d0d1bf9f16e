"""A small chart over time for mails, drawn as SVG text: the window as a band, what left it in the colour of alarm.

Pure. It brings its own paper, so that it reads the same in a light and in a dark mail program.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape

import numpy as np

from ingest.present.chart_axes import Floats, Scale, ticks
from ingest.present.digits import in_units, number, short, unit
from ingest.present.time_picture import TimeLine, TimePicture, time_ticks, values_shown
from ingest.site.places import Bounds

MOST_LINES: Final = 4
"""More sensors than these would only be a tangle; the first ones are drawn."""

_INK, _SOFT, _PAPER, _BOARD, _EDGE = "#3a2d1f", "#6d5a41", "#f6efe0", "#efe3c8", "#b9a37d"
_WINDOW, _OUTSIDE = "#2f5d80", "#a8452c"
_SHADES: Final = (_INK, "#7c531d", "#55703f", "#6b5a43")


@dataclass(frozen=True, slots=True)
class Strip:
    """The paper: its sizes in drawing units; a mail shows it `width` wide.  margins: left, top, right, bottom."""

    width: int
    height: int
    margins: tuple[int, int, int, int] = (48, 28, 12, 28)
    text: float = 15.0
    ticks_up: int = 5


LARGE: Final = Strip(500, 230)
SMALL: Final = Strip(500, 136, ticks_up=3)


def time_strip_svg(picture: TimePicture, strip: Strip = LARGE) -> str:
    """Draw the chart and give it as SVG text."""
    return "".join(_Drawing(picture, strip).parts())


class _Drawing:
    """One chart being drawn, layer by layer."""

    def __init__(self, picture: TimePicture, strip: Strip) -> None:
        left, top, right, bottom = strip.margins
        self.picture, self.strip = picture, strip
        self.box = (left, top, strip.width - right, strip.height - bottom)
        self.values = values_shown(picture)
        self.across = Scale(float(picture.from_ms), float(picture.to_ms), self.box[0], self.box[2])
        self.up = Scale(*self.values, self.box[3], self.box[1])
        edges = picture.edges_ms.astype(np.float64)
        self.x = self.across.positions((edges[:-1] + edges[1:]) / 2)

    def parts(self) -> Iterator[str]:
        width, height = self.strip.width, self.strip.height
        left, top, right, bottom = self.box
        style = f"text{{font-family:Bitter,Georgia,serif;font-size:{self.strip.text}px;fill:{_INK}}}"
        yield f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}"'
        yield f' viewBox="0 0 {width} {height}"><style>{style}</style>'
        yield f'<rect width="{width}" height="{height}" rx="4" fill="{_PAPER}"/>'
        yield f'<rect x="{left}" y="{top}" width="{right - left}" height="{bottom - top}" fill="{_BOARD}"/>'
        yield from self._band()
        yield from self._axes()
        yield from self._marks()
        for shade, line in zip(_SHADES, self.picture.lines[:MOST_LINES], strict=False):
            yield from self._line(line, shade)
        if self.picture.extremes() is None:
            x, y = (left + right) / 2, (top + bottom) / 2
            yield f'<text x="{x:.0f}" y="{y:.0f}" text-anchor="middle">no readings</text>'
        yield "</svg>"

    def _band(self) -> Iterator[str]:
        bounds, (left, _, right, _) = self.picture.bounds, self.box
        if bounds is None:
            return
        high = self.values[1] if bounds.high is None else min(bounds.high, self.values[1])
        low = self.values[0] if bounds.low is None else max(bounds.low, self.values[0])
        y, foot = self.up.at(high), self.up.at(low)
        yield f'<rect x="{left}" y="{y:.1f}" width="{right - left}" height="{max(foot - y, 0):.1f}"'
        yield f' fill="{_WINDOW}" fill-opacity=".13"/>'
        for end in (bounds.low, bounds.high):
            if end is not None and self.values[0] < end < self.values[1]:
                yield f'<path d="M{left} {self.up.at(end):.1f}H{right}" stroke="{_WINDOW}" stroke-width="1.2"'
                yield ' stroke-dasharray="5 3" fill="none"/>'

    def _axes(self) -> Iterator[str]:
        picture, (left, top, right, bottom) = self.picture, self.box
        low, high = (in_units(picture.quantity, end, picture.units) for end in self.values)
        shown = Scale(low, high, bottom, top)
        decimals = 0 if high - low >= 4 else 1
        for value in ticks(low, high, self.strip.ticks_up):
            y = shown.at(value)
            yield f'<path d="M{left - 4} {y:.1f}H{left}" stroke="{_SOFT}"/>'
            yield f'<text x="{left - 7}" y="{y + self.strip.text * 0.34:.1f}" text-anchor="end">'
            yield f"{number(value, decimals)}</text>"
        for at_ms, word in time_ticks(picture):
            x = self.across.at(float(at_ms))
            yield f'<path d="M{x:.1f} {bottom}v4M{x:.1f} {top}V{bottom}" stroke="{_SOFT}" stroke-opacity=".3"/>'
            if left + len(word) * 3.8 < x < right - len(word) * 3.4:
                yield f'<text x="{x:.1f}" y="{bottom + 5 + self.strip.text:.1f}" text-anchor="middle">'
                yield f"{escape(word)}</text>"
        yield f'<rect x="{left}" y="{top}" width="{right - left}" height="{bottom - top}" fill="none"'
        yield f' stroke="{_EDGE}"/>'
        yield f'<text x="{left}" y="{top - 9}">{escape(self._name())}</text>'

    def _name(self) -> str:
        name, sign = short(self.picture.quantity), unit(self.picture.quantity, self.picture.units)
        return f"{name[0].upper()}{name[1:]}, {sign}" if sign else name

    def _marks(self) -> Iterator[str]:
        """Mark from when to when what is told lasted."""
        _, top, right, bottom = self.box
        for at_ms, word in ((self.picture.began_ms, "began"), (self.picture.ended_ms, "over")):
            if at_ms is not None and self.picture.from_ms <= at_ms <= self.picture.to_ms:
                x = self.across.at(float(at_ms))
                anchor = "end" if x > right - 40 else "middle"
                yield f'<path d="M{x:.1f} {top - 4}V{bottom}" stroke="{_OUTSIDE}" stroke-width="1.2" fill="none"/>'
                yield f'<text x="{x:.1f}" y="{top - 9}" text-anchor="{anchor}" style="fill:{_OUTSIDE}">{word}</text>'

    def _line(self, line: TimeLine, shade: str) -> Iterator[str]:
        yield from self._reach(line, shade)
        y = self.up.positions(line.mean)
        yield f'<path d="{_path(self.x, y)}" fill="none" stroke="{shade}" stroke-width="1.8" stroke-linejoin="round"'
        yield ' stroke-linecap="round"/>'
        beyond = _beyond(line.mean, self.picture.bounds)
        if beyond.any():
            # A point more on each side, so that the coloured part meets the line that it colours.
            wide = beyond | np.append(beyond[1:], False) | np.insert(beyond[:-1], 0, False)
            outside = np.where(wide, y, np.nan)
            yield f'<path d="{_path(self.x, outside)}" fill="none" stroke="{_OUTSIDE}" stroke-width="2.6"'
            yield ' stroke-linejoin="round" stroke-linecap="round"/>'

    def _reach(self, line: TimeLine, shade: str) -> Iterator[str]:
        """Draw how far single readings reached around the mean."""
        low, high = self.up.positions(line.low), self.up.positions(line.high)
        for begins, ends in _runs(np.isfinite(low) & np.isfinite(high)):
            if ends - begins > 1:
                there = list(zip(self.x[begins:ends], high[begins:ends], strict=True))
                back = list(zip(self.x[begins:ends], low[begins:ends], strict=True))[::-1]
                corners = " ".join(f"{x:.1f},{y:.1f}" for x, y in there + back)
                yield f'<polygon points="{corners}" fill="{shade}" fill-opacity=".16"/>'


def _beyond(values: Floats, bounds: Bounds | None) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    found = np.zeros(len(values), dtype=np.bool_)
    if bounds is not None:
        with np.errstate(invalid="ignore"):
            found |= values < (-np.inf if bounds.low is None else bounds.low)
            found |= values > (np.inf if bounds.high is None else bounds.high)
    return found


def _runs(there: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> list[tuple[int, int]]:
    padded = np.concatenate(([False], there, [False]))
    begins, ends = np.flatnonzero(padded[1:] & ~padded[:-1]), np.flatnonzero(~padded[1:] & padded[:-1])
    return list(zip(begins.tolist(), ends.tolist(), strict=True))


def _path(x: Floats, y: Floats) -> str:
    pieces = []
    for begins, ends in _runs(np.isfinite(y)):
        points = [f"{x[i]:.1f} {y[i]:.1f}" for i in range(begins, ends)]
        pieces.append("M" + "L".join(points) + ("h0" if len(points) == 1 else ""))
    return "".join(pieces)
