"""The course of one quantity before, during and after an incident, as SVG for our pages. Pure.

The window is the tinted band, the stretch that the incident lasted is tinted, what lay outside is drawn heavier, and
the worst reading has its mark. It has no colours of its own: `dashboards/static/incident.css` gives them, light and
dark; everything that a colour says is also said by weight, pattern or word, and the whole in the description.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from ingest.present import digits, words
from ingest.present.chart_axes import Floats, Scale, ticks
from ingest.present.chart_path import path_through
from ingest.present.digits import Units, in_units, number
from ingest.site.bounds import Bounds
from ingest.site.series import Int64s

HOUR_MS: Final = 3_600_000
_STEPS_MS: Final = tuple(round(hours * HOUR_MS) for hours in (1 / 6, 0.5, 1, 2, 3, 6, 12, 24, 48, 168, 336, 720, 2160))
_DAY_MS: Final = 24 * HOUR_MS


@dataclass(frozen=True, slots=True)
class Sheet:
    """The paper, in drawing units.  margins: left, top, right, bottom.  marks: at most so many instants are named."""

    width: int
    height: int
    margins: tuple[int, int, int, int] = (52, 30, 14, 34)
    text: float = 14.0
    marks: int = 7


WIDE: Final = Sheet(880, 320)
NARROW: Final = Sheet(420, 300, text=15.0, marks=3)


@dataclass(frozen=True, slots=True)
class Course:
    """What is drawn.

    ident: unique on the page.  title: what it is, in words.  at_ms: UTC, rising, (n,).  value: (n,), NaN where nothing
    was heard.  bounds: what it should keep, None where nothing is set.  began_ms, ended_ms: of the incident, None while
    it goes on.  worst_at_ms, worst: its worst reading, None where there is none.
    """

    ident: str
    title: str
    quantity: str
    units: Units
    time_zone: str
    at_ms: Int64s
    value: Floats
    bounds: Bounds | None
    began_ms: int
    ended_ms: int | None
    worst_at_ms: int | None = None
    worst: float | None = None


def excursion_chart_svg(course: Course, sheet: Sheet = WIDE) -> str:
    """Draw the chart and give it as SVG text, all foreign text escaped.  Raises ValueError for no instant at all."""
    if not len(course.at_ms):
        raise ValueError("a course without an instant cannot be drawn")
    return "".join(_Drawing(course, sheet).parts())


def describe(course: Course) -> str:
    """Say the chart in words, for those who hear it."""
    name, zone = digits.short(course.quantity), course.time_zone
    ended = "and goes on" if course.ended_ms is None else f"to {words.instant(course.ended_ms, zone)}"
    told = [f"The incident lasts from {words.instant(course.began_ms, zone)} {ended}."]
    if course.bounds is not None:
        told.append(f"{name} should be {digits.bounds_words(course.quantity, course.bounds, course.units)}.")
    known = course.value[np.isfinite(course.value)]
    if len(known):
        low, high = (digits.amount(course.quantity, float(end), course.units) for end in (known.min(), known.max()))
        told.append(f"The line lies between {low} and {high}.")
    else:
        told.append("No readings in this time.")
    if course.worst is not None and course.worst_at_ms is not None:
        worst = digits.amount(course.quantity, course.worst, course.units)
        told.append(f"At worst it was {worst}, {words.instant(course.worst_at_ms, zone)}.")
    return " ".join(told)


class _Drawing:
    """One chart being drawn, layer by layer."""

    def __init__(self, course: Course, sheet: Sheet) -> None:
        left, top, right, bottom = sheet.margins
        self.course, self.sheet = course, sheet
        self.box = (left, top, sheet.width - right, sheet.height - bottom)
        first, last = int(course.at_ms[0]), max(int(course.at_ms[-1]), int(course.at_ms[0]) + 60_000)
        self.across = Scale(float(first), float(last), self.box[0], self.box[2])
        self.up = Scale(*_extent(course), self.box[3], self.box[1])
        self.points = np.column_stack(
            (self.across.positions(course.at_ms.astype(np.float64)), self.up.positions(course.value))
        )

    def parts(self) -> Iterator[str]:
        """Give the chart from the paper up."""
        ident, sheet = self.course.ident, self.sheet
        named = f"aria-labelledby={quoteattr(ident + '-title')} aria-describedby={quoteattr(ident + '-desc')}"
        box = f'viewBox="0 0 {sheet.width} {sheet.height}" font-size="{sheet.text}"'
        yield f'<svg class="excursion" {box} role="img" {named}>'
        yield f"<title id={quoteattr(ident + '-title')}>{escape(self.course.title)}</title>"
        yield f"<desc id={quoteattr(ident + '-desc')}>{escape(describe(self.course))}</desc>"
        left, top, right, bottom = self.box
        yield f'<rect class="ex-board" x="{left}" y="{top}" width="{right - left}" height="{bottom - top}"/>'
        yield from self._window()
        yield from self._lasted()
        yield from self._axes()
        yield from self._line()
        yield from self._worst()
        yield "</svg>"

    def _window(self) -> Iterator[str]:
        bounds, (left, _, right, _) = self.course.bounds, self.box
        if bounds is None:
            return
        high = self.up.high if bounds.high is None else min(max(bounds.high, self.up.low), self.up.high)
        low = self.up.low if bounds.low is None else max(min(bounds.low, self.up.high), self.up.low)
        y, foot = self.up.at(high), self.up.at(low)
        place = f'x="{left}" y="{y:.1f}" width="{right - left}" height="{max(foot - y, 0):.1f}"'
        yield f'<rect class="ex-window" {place}/>'
        for end in (bounds.low, bounds.high):
            if end is not None and self.up.low < end < self.up.high:
                yield f'<path class="ex-bound" d="M{left} {self.up.at(end):.1f}H{right}"/>'

    def _lasted(self) -> Iterator[str]:
        """Tint the time that the incident lasted, and say at its ends what they are."""
        left, top, right, bottom = self.box
        begins = min(max(self.across.at(float(self.course.began_ms)), left), right)
        ended_ms = self.course.ended_ms
        ends = right if ended_ms is None else min(max(self.across.at(float(ended_ms)), left), right)
        size = f'width="{ends - begins:.1f}" height="{bottom - top}"'
        yield f'<rect class="ex-lasted" x="{begins:.1f}" y="{top}" {size}/>'
        yield f'<path class="ex-edge" d="M{begins:.1f} {top - 5}V{bottom}"/>'
        yield self._word(begins, top - 9, "began")
        if ended_ms is not None:
            yield f'<path class="ex-edge" d="M{ends:.1f} {top - 5}V{bottom}"/>'
            if ends - begins > 6 * self.sheet.text:
                yield self._word(ends, top - 9, "over")
        elif ends - begins > 8 * self.sheet.text:
            yield self._word(right, top - 9, "goes on")

    def _word(self, x: float, y: float, word: str) -> str:
        left, _, right, _ = self.box
        reach = len(word) * self.sheet.text * 0.3
        end = "ex-begins" if x - reach < left else "ex-ends" if x + reach > right else "ex-centred"
        return f'<text class="ex-word {end}" x="{x:.1f}" y="{y:.1f}">{escape(word)}</text>'

    def _axes(self) -> Iterator[str]:
        left, top, right, bottom = self.box
        course, text = self.course, self.sheet.text
        low, high = (in_units(course.quantity, end, course.units) for end in (self.up.low, self.up.high))
        shown = Scale(low, high, bottom, top)
        marks = ticks(low, high, 5)
        whole = all(float(mark).is_integer() for mark in marks)
        for mark in marks:
            y = shown.at(mark)
            yield f'<path class="ex-tick" d="M{left - 5} {y:.1f}H{left}"/>'
            word = number(mark, 0 if whole else 1)
            yield f'<text class="ex-up" x="{left - 8}" y="{y + text * 0.34:.1f}">{word}</text>'
        for at_ms, word in self._instants():
            x = self.across.at(float(at_ms))
            yield f'<path class="ex-grid" d="M{x:.1f} {top}V{bottom}"/>'
            if left + len(word) * text * 0.2 < x < right - len(word) * text * 0.24:
                yield f'<text class="ex-across" x="{x:.1f}" y="{bottom + 6 + text:.1f}">{escape(word)}</text>'

    def _instants(self) -> Iterator[tuple[int, str]]:
        """Give round instants of the site's clock, and how they are said."""
        first, last = int(self.across.low), int(self.across.high)
        step_ms = next((step for step in _STEPS_MS if (last - first) / step <= self.sheet.marks), _STEPS_MS[-1])
        offset = words.local(first, self.course.time_zone).utcoffset() or dt.timedelta()
        shift_ms = round(offset.total_seconds() * 1000)
        at_ms = -(-(first + shift_ms) // step_ms) * step_ms - shift_ms
        while at_ms <= last:
            when = words.local(at_ms, self.course.time_zone)
            is_day = step_ms >= _DAY_MS or (when.hour, when.minute) == (0, 0)
            yield at_ms, _day(at_ms, self.course.time_zone) if is_day else f"{when:%H:%M}"
            at_ms += step_ms

    def _line(self) -> Iterator[str]:
        if not np.isfinite(self.course.value).any():
            x, y = (self.box[0] + self.box[2]) / 2, (self.box[1] + self.box[3]) / 2
            yield f'<text class="ex-none" x="{x:.0f}" y="{y:.0f}">no readings</text>'
            return
        yield f'<path class="ex-line" d="{path_through(self.points)}"/>'
        outside = _outside(self.course)
        if outside.any():
            # A point more on either side, so that the heavy part meets the line that it is part of.
            wide = outside | np.append(outside[1:], False) | np.insert(outside[:-1], 0, False)
            heavy = np.where(wide[:, None], self.points, np.nan)
            yield f'<path class="ex-outside" d="{path_through(heavy)}"/>'

    def _worst(self) -> Iterator[str]:
        worst, at_ms = self.course.worst, self.course.worst_at_ms
        if worst is None or at_ms is None or not self.across.low <= at_ms <= self.across.high:
            return
        x, y = self.across.at(float(at_ms)), self.up.at(worst)
        _, top, _, bottom = self.box
        below = y - top < 2 * self.sheet.text and bottom - y > 2 * self.sheet.text
        base = y + 1.6 * self.sheet.text if below else y - 0.8 * self.sheet.text
        yield f'<circle class="ex-worst" cx="{x:.1f}" cy="{y:.1f}" r="5"/>'
        yield self._word(x, base, digits.amount(self.course.quantity, worst, self.course.units))


def _day(at_ms: int, time_zone: str) -> str:
    """Say a day without weekday and year: "25 Nov"."""
    return " ".join(words.day(at_ms, time_zone).split()[1:3])


def _outside(course: Course) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    bounds = course.bounds
    low = -np.inf if bounds is None or bounds.low is None else bounds.low
    high = np.inf if bounds is None or bounds.high is None else bounds.high
    with np.errstate(invalid="ignore"):
        return np.asarray((course.value < low) | (course.value > high))


def _extent(course: Course) -> tuple[float, float]:
    """Give an axis that holds the line, the worst reading, and the bound that it passed."""
    values = course.value[np.isfinite(course.value)].tolist()
    values += [] if course.worst is None else [course.worst]
    if course.bounds is not None:
        ends = [end for end in (course.bounds.low, course.bounds.high) if end is not None]
        values += ends if not values else [min(ends, key=lambda end: min(abs(end - value) for value in values))]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    air = max((high - low) * 0.12, 0.5)
    return low - air, high + air
