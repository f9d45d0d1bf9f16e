"""The season chart: the EMC of a room's air over months, drawn as SVG text that stands alone. Pure.

Time runs across and EMC up. Each day is a strip from its lowest to its highest hourly value with a stroke at its mean;
the tinted field is what the window asks for, and what sticks out of it is red keel with strokes of its own. Below each
month stands its mean of the hourly EMC. Days without readings are left open. It carries its own paper and colours, and
follows whoever reads in the dark.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from xml.sax.saxutils import escape

from ingest.present.chart_axes import Scale, extent, ticks
from ingest.present.digits import limit as limit_words
from ingest.present.digits import number
from ingest.present.season_picture import Month, SeasonPicture, describe, months_of
from ingest.site.series import Span

WIDTH: Final = 760
HEIGHT: Final = 342
CREDIT_HEIGHT: Final = 20
_BOX: Final = (52, 48, 722, 290)  # left, top, right, bottom
_LEAST_MONTH: Final = 34  # a month narrower than this gets no label

_LIGHT: Final = {
    "ink": "#2a2017", "pencil": "#5a4c3c", "paper": "#f3ebda", "board": "#fbf7ed", "rule": "#cdbd9d",
    "wood": "#c08a45", "window": "#1f567d", "out": "#a3281b",
}  # fmt: skip
_DARK: Final = {
    "ink": "#f1e7d5", "pencil": "#c4b49a", "paper": "#1b1510", "board": "#2d241a", "rule": "#54452f",
    "wood": "#b98846", "window": "#8cc0e8", "out": "#ff8f7d",
}  # fmt: skip


def season_chart_svg(picture: SeasonPicture) -> str:
    """Draw the chart and give it as SVG text, all foreign text escaped. Raises ValueError when there is no day."""
    if not picture.days:
        raise ValueError("a season needs at least one day")
    return "".join(_Drawing(picture).parts())


def _style() -> str:
    rules = (
        "text{font:13px Bitter,Georgia,serif;fill:var(--ink)}.se-title{font-weight:bold;font-size:16px}"
        ".se-small,.se-up{fill:var(--pencil);font-size:12px}.se-up{text-anchor:end}.se-month{text-anchor:middle}"
        ".se-mean-of{text-anchor:middle;font-weight:bold}.se-paper{fill:var(--paper)}"
        ".se-board{fill:var(--board);stroke:var(--rule)}.se-line{stroke:var(--rule);fill:none}"
        ".se-field{fill:var(--window);fill-opacity:.16}"
        ".se-bound{stroke:var(--window);stroke-width:1.4;fill:none}.se-bound-word{fill:var(--window);font-weight:bold}"
        ".se-band{fill:var(--wood)}.se-out{fill:var(--out)}.se-cross{stroke:var(--board);stroke-width:.9;stroke-opacity:.7}"
        ".se-mean{stroke:var(--ink);stroke-width:1.8;fill:none;stroke-linejoin:round;stroke-linecap:round}"
        ".se-empty{text-anchor:middle;fill:var(--pencil)}"
    )
    light, dark = (";".join(f"--{name}:{value}" for name, value in one.items()) for one in (_LIGHT, _DARK))
    return f"svg{{{light}}}@media(prefers-color-scheme:dark){{svg{{{dark}}}}}{rules}"


class _Drawing:
    """One chart being drawn: its scales, and each layer as a piece of SVG."""

    def __init__(self, picture: SeasonPicture) -> None:
        self.picture = picture
        self.left, self.top, self.right, self.bottom = _BOX
        first_ms, last_ms = picture.days[0].span.from_ms, picture.days[-1].span.to_ms
        self.across = Scale(float(first_ms), float(last_ms), self.left, self.right)
        self.asked = picture.asked()
        limits = [end for bounds, _ in self.asked for end in (bounds.low, bounds.high) if end is not None]
        told = [end for day in picture.days for end in (day.lowest, day.highest) if end is not None]
        self.up = Scale(*extent([*told, *limits], least_span=4.0, snap=1.0, low=0.0), self.bottom, self.top)

    def parts(self) -> Iterator[str]:
        """Give the chart from the paper up."""
        title = escape(self.picture.title)
        height = HEIGHT + (CREDIT_HEIGHT if self.picture.credit else 0)
        yield f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img">'
        yield f"<title>{title}</title><desc>{escape(describe(self.picture))}</desc><style>{_style()}</style>"
        yield from self._definitions()
        yield f'<rect class="se-paper" width="{WIDTH}" height="{height}"/>'
        yield self._box("se-board", self.top, self.bottom)
        yield f'<text class="se-title" x="{self.left}" y="22">{title}</text>'
        yield f'<text class="se-small" x="{self.left}" y="39">% moisture content; each day from its lowest to its '
        yield "highest hour, the line its mean</text>"
        yield from self._scale()
        yield from self._months()
        yield from self._band()
        yield from self._bounds()
        if self.picture.credit:
            yield f'<text class="se-small" x="{self.left}" y="{height - 10}">{escape(self.picture.credit)}</text>'
        yield "</svg>"

    def _box(self, kind: str, high: float, low: float, more: str = "", span: Span | None = None) -> str:
        left, right = (self.left, self.right) if span is None else map(self.across.at, span)
        size = f'width="{right - left:.1f}" height="{low - high:.1f}"'
        return f'<rect class="{kind}" x="{left:.1f}" y="{high:.1f}" {size}{more}/>'

    def _fields(self) -> Iterator[tuple[float, float, Span]]:
        """Give the upper and lower edge of what each window asks for, as far as it is on the board, and its time."""
        for bounds, span in self.asked:
            high = self.top if bounds.high is None else self.up.at(bounds.high)
            low = self.bottom if bounds.low is None else self.up.at(bounds.low)
            yield high, low, span

    def _definitions(self) -> Iterator[str]:
        beyond = (
            self._box("", self.top, high, "", span) + self._box("", low, self.bottom, "", span)
            for high, low, span in self._fields()
        )
        yield (
            '<defs><pattern id="se-cross" width="6" height="6" patternUnits="userSpaceOnUse">'
            '<path class="se-cross" d="M-1 -1L7 7M-1 5L1 7M5 -1L7 1"/></pattern>'
            f'<clipPath id="se-beyond">{"".join(beyond)}</clipPath>'
            "</defs>"
        )

    def _scale(self) -> Iterator[str]:
        for value in ticks(self.up.low, self.up.high, 8):
            y = self.up.at(value)
            yield f'<path class="se-line" d="M{self.left} {y:.1f}H{self.right}"/>'
            yield f'<text class="se-up" x="{self.left - 7}" y="{y + 4:.1f}">{number(value, 0)}</text>'

    def _months(self) -> Iterator[str]:
        shown_year = None
        yield f'<text class="se-up" x="{self.left - 7}" y="{self.bottom + 38}">mean</text>'
        for month in months_of(self.picture):
            begins, ends = self.across.at(month.span.from_ms), self.across.at(month.span.to_ms)
            yield f'<path class="se-line" d="M{begins:.1f} {self.top}V{self.bottom + 8}"/>'
            if ends - begins < _LEAST_MONTH:
                continue
            yield from self._month(month, (begins + ends) / 2, with_year=month.year != shown_year)
            shown_year = month.year

    def _month(self, month: Month, x: float, *, with_year: bool) -> Iterator[str]:
        name = f"{month.name} {month.year}" if with_year else month.name
        yield f'<text class="se-month" x="{x:.1f}" y="{self.bottom + 20}">{name}</text>'
        yield f'<text class="se-mean-of" x="{x:.1f}" y="{self.bottom + 38}">{number(month.mean, 1)}</text>'

    def _bounds(self) -> Iterator[str]:
        for bounds, span in self.asked:
            begins, ends = map(self.across.at, span)
            is_last = span == self.asked[-1][1]
            for limit in (one for one in (bounds.low, bounds.high) if one is not None):
                y = self.up.at(limit)
                yield f'<path class="se-bound" d="M{begins:.1f} {y:.1f}H{ends:.1f}"/>'
                x, up = (self.right + 6, -4.5) if is_last else (begins + 4, 4.0)
                word = limit_words("emc_percent", limit)
                yield f'<text class="se-bound-word" x="{x:.1f}" y="{y - up:.1f}">{word}</text>'

    def _band(self) -> Iterator[str]:
        for high, low, span in self._fields():
            yield self._box("se-field", high, low, "", span)
        strips = "".join(self._strips())
        if not strips:
            x, y = (self.left + self.right) / 2, (self.top + self.bottom) / 2
            yield f'<text class="se-empty" x="{x}" y="{y}">no readings in this time</text>'
            return
        yield f'<path class="se-band" d="{strips}"/>'
        if self.asked:
            yield f'<g clip-path="url(#se-beyond)"><path class="se-out" d="{strips}"/>'
            yield f'<path fill="url(#se-cross)" d="{strips}"/></g>'
        yield f'<path class="se-mean" d="{"".join(self._means())}"/>'

    def _strips(self) -> Iterator[str]:
        for day in self.picture.days:
            if day.lowest is None or day.highest is None:
                continue
            begins, ends = self.across.at(day.span.from_ms), self.across.at(day.span.to_ms)
            high, low = self.up.at(day.highest), self.up.at(day.lowest)
            yield f"M{begins:.1f} {high:.1f}H{ends:.1f}V{max(low, high + 1):.1f}H{begins:.1f}Z"

    def _means(self) -> Iterator[str]:
        drawing = False
        for day in self.picture.days:
            if day.mean is not None:
                x = self.across.at((day.span.from_ms + day.span.to_ms) / 2)
                pen = "L" if drawing else "M"
                yield f"{pen}{x:.1f} {self.up.at(day.mean):.1f}{'' if drawing else 'h0'}"
            drawing = day.mean is not None
