"""The window chart: a room's air against its acclimation window, drawn as SVG text. Pure.

Temperature runs across and RH up; the thin curves are lines of equal EMC, labelled on the line; the shaded region is
the room's window; the last day is a path that fades with age, and a crow's foot, the carpenter's mark for an exact
point, stands where the air is now. Inline in a page it carries classes only and the page's style sheet colours it for
light and dark; standalone (a file, a mail) it brings its own colours.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from ingest.present.chart_axes import Floats, Scale, ticks
from ingest.present.chart_path import path_through
from ingest.present.digits import in_units, number, unit
from ingest.present.window_picture import Trace, WindowPicture, describe, frame_of, last_point
from ingest.present.window_region import EmcLine, Frame, Ribbon, emc_line, emc_lines, window_ribbons
from ingest.present.window_sheet import AGE_STEPS, STANDALONE_STYLE, WIDE, Sheet
from ingest.site.places import Bounds

DAY_MS: Final = 86_400_000


def window_chart_svg(picture: WindowPicture, sheet: Sheet = WIDE, *, standalone: bool = False) -> str:
    """Draw the chart and give it as SVG text, all foreign text escaped.

    standalone: carry colours, a background and a name space, for use outside our pages.
    """
    return "".join(_Drawing(picture, sheet).parts(standalone=standalone))


class _Drawing:
    """One chart being drawn: its scales, and each layer as a piece of SVG."""

    def __init__(self, picture: WindowPicture, sheet: Sheet) -> None:
        left, top, right, bottom = sheet.margins
        self.picture = picture
        self.sheet = sheet
        self.frame: Frame = frame_of(picture)
        self.box = (left, top, sheet.width - right, sheet.height - bottom)
        self.across = Scale(self.frame.temperature_low_c, self.frame.temperature_high_c, self.box[0], self.box[2])
        self.up = Scale(self.frame.rh_low_percent, self.frame.rh_high_percent, self.box[3], self.box[1])
        self.rings = emc_lines(self.frame)
        self.trodden = np.concatenate([self._points(trace) for trace in picture.traces] or [np.empty((0, 2))])

    def parts(self, *, standalone: bool) -> Iterator[str]:
        """Give the chart from the paper up."""
        ident, (width, height) = self.picture.ident, (self.sheet.width, self.sheet.height)
        name_space = ' xmlns="http://www.w3.org/2000/svg"' if standalone else ""
        named = f"aria-labelledby={quoteattr(ident + '-title')} aria-describedby={quoteattr(ident + '-desc')}"
        box = f'viewBox="0 0 {width} {height}" font-size="{self.sheet.text}"'
        yield f'<svg{name_space} class="window-chart" {box} role="img" {named}>'
        yield f"<title id={quoteattr(ident + '-title')}>{escape(self.picture.title)}</title>"
        yield f"<desc id={quoteattr(ident + '-desc')}>{escape(describe(self.picture))}</desc>"
        if standalone:
            yield f'<style>{STANDALONE_STYLE}</style><rect class="wc-paper" width="{width}" height="{height}"/>'
        yield from self._board()
        yield from self._rings()
        yield from self._window()
        yield from self._ring_labels()
        yield from self._axes()
        yield from self._paths()
        yield "</svg>"

    def _points(self, trace: Trace) -> Floats:
        return np.column_stack((self.across.positions(trace.temperature_c), self.up.positions(trace.rh_percent)))

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
        for ribbon in window_ribbons(window, self.frame):
            outline = self._outline(ribbon)
            yield f'<path fill={quoteattr(f"url(#{hatch})")} d="{outline}"/><path class="wc-window" d="{outline}"/>'
        yield from self._scribed()

    def _outline(self, ribbon: Ribbon) -> str:
        across = self.across.positions(ribbon.temperature_c)
        low, high = self.up.positions(ribbon.low_percent), self.up.positions(ribbon.high_percent)
        there = path_through(np.column_stack((across, high)))
        back = path_through(np.column_stack((across, low))[::-1]).replace("M", "L", 1)
        return f"{there}{back}Z"

    def _scribed(self) -> Iterator[str]:
        """Draw each bound right across the board, as a joiner scribes a line past its corners."""
        window, (left, top, right, bottom) = self.picture.window, self.box
        assert window is not None
        for value in _within(window.temperature_c, self.across):
            x = self.across.at(value)
            yield f'<path class="wc-scribed" d="M{x:.1f} {top}V{bottom}"/>'
        for value in _within(window.rh_percent, self.up):
            y = self.up.at(value)
            yield f'<path class="wc-scribed" d="M{left} {y:.1f}H{right}"/>'
        if window.emc_percent is not None:
            for level in (window.emc_percent.low, window.emc_percent.high):
                for line in emc_line(level, self.frame) if level is not None else ():
                    yield f'<path class="wc-scribed" d="{path_through(self._emc_points(line))}"/>'

    def _emc_points(self, line: EmcLine) -> Floats:
        return np.column_stack((self.across.positions(line.temperature_c), self.up.positions(line.rh_percent)))

    def _rings(self) -> Iterator[str]:
        """Draw the lines of equal EMC, like the rings of a trunk cut across."""
        for line in self.rings:
            yield f'<path class="wc-ring" d="{path_through(self._emc_points(line))}"/>'

    def _ring_labels(self) -> Iterator[str]:
        column = self._label_column()
        placed = [(line, at) for line in self.rings if (at := self._label_place(line, column)) is not None]
        for index, (line, (x, y)) in enumerate(placed):
            # The uppermost says of what these are the figures.
            word = f"EMC {line.emc_percent:g} %" if index == len(placed) - 1 else f"{line.emc_percent:g} %"
            yield f'<text class="wc-ring-label" x="{x:.1f}" y="{y + self.sheet.text * 0.32:.1f}">{word}</text>'

    @property
    def _label_room(self) -> float:
        return len("EMC 10 %") * self.sheet.text * 0.3 + 6

    def _label_column(self) -> float:
        """Give the x at which, over all the lines, labels stand best: one below the other they read like a scale."""
        places = [self._label_places(line) for line in self.rings]
        columns = np.unique(np.concatenate([at[:, 0] for at in places] or [np.empty(0)]).round(1))[::-1]

        def worth(x: float) -> float:
            near = [at[np.abs(at[:, 0] - x) < 1.0] for at in places]
            return sum(self._fitness(at[0]) for at in near if len(at))

        return max(columns.tolist(), key=worth, default=0.0)

    def _label_places(self, line: EmcLine) -> Floats:
        points, text = self._emc_points(line)[::6], self.sheet.text
        inside = (points[:, 0] > self.box[0] + self._label_room) & (points[:, 0] < self.box[2] - self._label_room)
        return points[inside & (points[:, 1] > self.box[1] + text) & (points[:, 1] < self.box[3] - 4)]

    def _label_place(self, line: EmcLine, column: float) -> Floats | None:
        places = self._label_places(line)
        if not len(places):
            return None
        common = places[np.abs(places[:, 0] - column) < 1.0]
        if len(common) and self._fitness(common[0]) > 0.55:
            return np.array(common[0])
        return np.array(max(places[::-1], key=self._fitness))

    def _clearance(self, at: Floats) -> float:
        """Give how far a point lies from the path and the marks."""
        known = self.trodden[np.isfinite(self.trodden).all(axis=1)]
        return float(np.hypot(*(known - at).T).min()) if len(known) else float("inf")

    def _fitness(self, at: Floats) -> float:
        """Say how well a label stands at a point, 0 to 1: away from the path and from the window's straight edges."""
        window, text, room = self.picture.window, self.sheet.text, self._label_room
        across = [self.across.at(end) for end in _within(window.temperature_c, self.across)] if window else []
        up = [self.up.at(end) for end in _within(window.rh_percent, self.up)] if window else []
        aside = min((abs(float(at[0]) - edge) for edge in across), default=room)
        above = min((abs(float(at[1]) - edge) for edge in up), default=text)
        return min(self._clearance(at) / (room + text), aside / room, above / text, 1.0)

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

    def _paths(self) -> Iterator[str]:
        if not len(self.trodden) or not np.isfinite(self.trodden).all(axis=1).any():
            x, y = (self.box[0] + self.box[2]) / 2, (self.box[1] + self.box[3]) / 2
            day = "those" if self.picture.then else "the last"
            yield f'<text class="wc-empty" x="{x}" y="{y}">nothing heard in {day} 24 hours</text>'
            return
        for trace in self.picture.traces[::-1]:  # the leading one last, so that it lies on top
            yield from self._path(trace)
        for trace in self.picture.traces[1:]:
            yield from self._mark(trace, leading=False)
        yield from self._mark(self.picture.traces[0], leading=True)

    def _path(self, trace: Trace) -> Iterator[str]:
        age = np.clip((self.picture.now_ms - trace.at_ms) / DAY_MS, 0.0, 1.0)
        step = np.minimum((age * AGE_STEPS).astype(int), AGE_STEPS - 1)
        points = self._points(trace)
        for number_of in range(AGE_STEPS - 1, -1, -1):
            own = np.flatnonzero(step == number_of)
            if len(own):
                # One point more, so that the pieces join.
                piece = points[own[0] : own[-1] + 2]
                yield f'<path class="wc-path wc-age-{number_of}" d="{path_through(piece)}"/>'

    def _mark(self, trace: Trace, *, leading: bool) -> Iterator[str]:
        last = last_point(trace)
        if last is None:
            return
        x, y = self.across.at(last[1]), self.up.at(last[2])
        state = "" if trace.fresh else " wc-stale"
        if not leading:
            yield f'<rect class="wc-also{state}" x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8"/>'
            if self.sheet.ages:
                yield from self._beside(x, y, trace.title)
            return
        moment = "then" if self.picture.then else "now"
        word = trace.title if len(self.picture.traces) > 1 else moment
        yield from self._crows_foot(x, y, state, word if trace.fresh else "last heard")
        yield f'<circle class="wc-now{state}" cx="{x:.1f}" cy="{y:.1f}" r="{4.6 * self._size:.1f}"/>'

    @property
    def _size(self) -> float:
        return self.sheet.text / 14.0

    def _crows_foot(self, x: float, y: float, state: str, word: str) -> Iterator[str]:
        """Draw the mark that points at (x, y), from the side where the path leaves most room."""
        size = self._size
        ways = ((0.0, -1.0), (1.0, 0.0), (-1.0, 0.0), (0.0, 1.0))
        across, up = max(ways, key=lambda way: self._room_for(x + way[0] * 24 * size, y + way[1] * 24 * size))

        def at(along: float, aside: float) -> str:
            return f"{x + (across * along - up * aside) * size:.1f} {y + (up * along + across * aside) * size:.1f}"

        foot = f"M{at(22, -7)}L{at(8, 0)}L{at(22, 7)}M{at(8, 0)}L{at(25, 0)}"
        yield f'<path class="wc-foot-halo" d="{foot}"/><path class="wc-foot{state}" d="{foot}"/>'
        if self.sheet.ages:
            yield self._note(x + across * 29 * size, y + up * 33 * size, across, word)

    def _beside(self, x: float, y: float, word: str) -> Iterator[str]:
        """Write a word beside a point, on the side where the path leaves more room."""
        reach = (len(word) * 0.3 + 0.8) * self.sheet.text
        across = max((-1.0, 1.0), key=lambda way: self._room_for(x + way * reach, y))
        yield self._note(x + across * 9, y, across, word)

    def _note(self, x: float, y: float, across: float, word: str) -> str:
        """Write a word that begins, ends or is centred at x, by which way it leads away (1, -1, 0)."""
        anchor = {1.0: "wc-begins", -1.0: "wc-ends"}.get(across, "wc-centred")
        base = y + self.sheet.text * 0.34
        return f'<text class="wc-now-label {anchor}" x="{x:.1f}" y="{base:.1f}">{escape(word)}</text>'

    def _room_for(self, x: float, y: float) -> float:
        """Give how much room a mark has at (x, y): to the path and to the edge of the board."""
        left, top, right, bottom = self.box
        edge = min(x - left, right - x, y - top, bottom - y)
        if edge < 14 * self._size:
            return edge - 100.0
        # Enough is enough: among places with room the first way is taken, so that the mark does not hop about.
        return min(self._clearance(np.array([x, y])), 16 * self._size)


def _within(bounds: Bounds | None, scale: Scale) -> list[float]:
    ends = () if bounds is None else (bounds.low, bounds.high)
    return [end for end in ends if end is not None and scale.low < end < scale.high]
