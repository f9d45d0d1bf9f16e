"""The year's rule: a quantity month by month, its mean and its span, as SVG text. Pure.

Each month is a board on edge, as long as the values of the month lie apart (all but the outermost tenth at either end),
with a pencil stroke across it at the mean and the mean written beside it. A window, where there is one, is hatched
across the whole year, so that one sees at a glance which months kept it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from ingest.present.chart_axes import Floats, Scale, extent, ticks
from ingest.present.digits import number
from ingest.site.places import Bounds

WIDTH: Final = 640
HEIGHT: Final = 300
_BOX: Final = (46, 34, 628, 262)  # left, top, right, bottom
_SHARES: Final = (10.0, 90.0)
_STYLE: Final = (
    "text{font:13px Bitter,Georgia,serif;fill:#3a2d1f}.yr-paper{fill:#f6efe0}"
    ".yr-ground{fill:#efe3c8;stroke:#6d5a41}.yr-line{stroke:#6d5a41;stroke-opacity:.35}"
    ".yr-window{fill:#2f5d80;fill-opacity:.14;stroke:#2f5d80;stroke-width:1.2}"
    ".yr-board{fill:#c99b5c;stroke:#7c531d}.yr-mean{stroke:#3a2d1f;stroke-width:2.4;stroke-linecap:round}"
    ".yr-up{text-anchor:end}.yr-across,.yr-value{text-anchor:middle}.yr-value{paint-order:stroke;stroke:#c99b5c;stroke-width:3}.yr-title{font-weight:bold}"
)


@dataclass(frozen=True, slots=True)
class Month:
    """A month on the chart.  mean: of its hours.  low, high: a tenth of the hours lies below, a tenth above."""

    label: str
    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Year:
    """What is drawn.  title: in words, with the quantity and its unit.  window: the bounds to keep, or None."""

    title: str
    months: Sequence[Month]
    unit: str
    window: Bounds | None = None


def month_of(label: str, values: Floats) -> Month:
    """Sum up a month.  values: float64 (n,), n at least 1, one for each hour, so that each hour counts the same."""
    low, high = np.percentile(values, _SHARES)
    return Month(label, float(np.mean(values)), float(low), float(high))


def monthly_chart_svg(year: Year) -> str:
    """Draw the year and give it as SVG text that stands alone, all foreign text escaped.

    Raises ValueError when there is no month.
    """
    if not year.months:
        raise ValueError("a chart of months needs at least one month")
    return "".join(_parts(year))


def describe(year: Year) -> str:
    """Say the chart in words, for those who hear it."""
    lowest = min(year.months, key=lambda month: month.mean)
    highest = max(year.months, key=lambda month: month.mean)
    return (
        f"{year.title}: lowest in {lowest.label} with {number(lowest.mean, 1)} {year.unit}, "
        f"highest in {highest.label} with {number(highest.mean, 1)} {year.unit}, as means of the hours."
    )


def _parts(year: Year) -> Iterator[str]:
    left, top, right, bottom = _BOX
    bounds = [bound for bound in (year.window.low, year.window.high) if bound is not None] if year.window else []
    values = [value for month in year.months for value in (month.low, month.mean, month.high)]
    low, high = extent([*values, *bounds], least_span=4.0, snap=1.0)
    up = Scale(low, high, bottom, top)
    yield f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img">'
    yield f"<title>{escape(year.title)}</title><desc>{escape(describe(year))}</desc><style>{_STYLE}</style>"
    yield f'<rect class="yr-paper" width="{WIDTH}" height="{HEIGHT}"/>'
    yield f'<rect class="yr-ground" x="{left}" y="{top}" width="{right - left}" height="{bottom - top}"/>'
    yield f'<text class="yr-title" x="{left}" y="21">{escape(year.title)}</text>'
    for value in ticks(low, high, 6):
        y = up.at(value)
        yield f'<path class="yr-line" d="M{left} {y:.1f}H{right}"/>'
        yield f'<text class="yr-up" x="{left - 6}" y="{y + 4.5:.1f}">{number(value, 0)}</text>'
    yield from _window(year.window, up)
    across = (right - left) / len(year.months)
    for index, month in enumerate(year.months):
        yield from _board(month, left + across * (index + 0.5), across * 0.3, up)
    yield "</svg>"


def _window(window: Bounds | None, up: Scale) -> Iterator[str]:
    if window is None:
        return
    left, _, right, _ = _BOX
    high = up.at_high if window.high is None else up.at(window.high)
    low = up.at_low if window.low is None else up.at(window.low)
    yield f'<rect class="yr-window" x="{left}" y="{high:.1f}" width="{right - left}" height="{low - high:.1f}"/>'


def _board(month: Month, x: float, half: float, up: Scale) -> Iterator[str]:
    high, mean, low = up.at(month.high), up.at(month.mean), up.at(month.low)
    name = quoteattr(f"{month.label}: {number(month.mean, 1)}, {number(month.low, 1)} to {number(month.high, 1)}")
    yield f'<g aria-label={name}><rect class="yr-board" x="{x - half:.1f}" y="{high:.1f}" '
    yield f'width="{2 * half:.1f}" height="{max(low - high, 1.0):.1f}"/>'
    yield f'<path class="yr-mean" d="M{x - half - 4:.1f} {mean:.1f}H{x + half + 4:.1f}"/>'
    yield f'<text class="yr-value" x="{x:.1f}" y="{mean - 6:.1f}">{number(month.mean, 1)}</text></g>'
    yield f'<text class="yr-across" x="{x:.1f}" y="{up.at_low + 19:.1f}">{escape(month.label)}</text>'
