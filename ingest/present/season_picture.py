"""What the season chart shows, as data: the EMC of a room's air day by day, and the same said in words. Pure."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import NamedTuple

from ingest.present import words
from ingest.present.digits import amount, bounds_words
from ingest.site.places import Bounds
from ingest.site.series import Span


@dataclass(frozen=True, slots=True)
class EmcDay:
    """One day [% MC]: lowest, mean and highest of its hourly EMC, None where nothing is known; how many hours told.

    bounds: of EMC by the window that the day is judged by, None where none are set.
    """

    span: Span
    lowest: float | None = None
    mean: float | None = None
    highest: float | None = None
    hours: int = 0
    bounds: Bounds | None = None


@dataclass(frozen=True, slots=True)
class SeasonPicture:
    """What the chart shows.

    days: following each other without a break, at least one.  credit: whose readings these are, printed below; may be
    empty.
    """

    title: str
    days: tuple[EmcDay, ...]
    time_zone: str
    credit: str = ""

    def asked(self) -> list[tuple[Bounds, Span]]:
        """Give the bounds of EMC that were set, in order of time, each with the days for which they were."""
        found = []
        for bounds, days in itertools.groupby(self.days, lambda day: day.bounds):
            spans = [day.span for day in days]
            if bounds is not None and (bounds.low is not None or bounds.high is not None):
                found.append((bounds, Span(spans[0].from_ms, spans[-1].to_ms)))
        return found


class Month(NamedTuple):
    """A calendar month's part in the picture.  mean: of its hourly EMC [% MC], None where nothing is known."""

    name: str  # "Jan"
    year: int
    span: Span
    mean: float | None


def months_of(picture: SeasonPicture) -> list[Month]:
    """Give the months that the days lie in, in order."""
    dated = ((words.local(day.span.from_ms, picture.time_zone), day) for day in picture.days)
    by_month = itertools.groupby(dated, lambda pair: (pair[0].year, pair[0].month))
    return [_month([day for _, day in pairs], picture.time_zone) for _, pairs in by_month]


def _month(days: list[EmcDay], zone: str) -> Month:
    begins = words.local(days[0].span.from_ms, zone)
    hours = sum(day.hours for day in days)
    total = sum(day.mean * day.hours for day in days if day.mean is not None)
    span = Span(days[0].span.from_ms, days[-1].span.to_ms)
    return Month(f"{begins:%b}", begins.year, span, total / hours if hours else None)


def describe(picture: SeasonPicture) -> str:
    """Say in sentences what the chart shows, for whoever cannot see it."""
    told = [day for day in picture.days if day.lowest is not None and day.highest is not None]
    if not told:
        return "Nothing is known of these days."
    first, last = (words.day(day.span.from_ms, picture.time_zone) for day in (picture.days[0], picture.days[-1]))
    lowest = min(told, key=lambda day: day.lowest or 0.0)
    highest = max(told, key=lambda day: day.highest or 0.0)
    said = [
        f"From {first} to {last} the hourly EMC lay between {_when(lowest, lowest.lowest, picture)} and "
        f"{_when(highest, highest.highest, picture)}.",
        f"Means of the hourly EMC: {_months(picture)}.",
        _against_bounds(told, picture),
    ]
    return " ".join(filter(None, said))


def _when(day: EmcDay, value: float | None, picture: SeasonPicture) -> str:
    return f"{amount('emc_percent', value)} ({words.day(day.span.from_ms, picture.time_zone)})"


def _months(picture: SeasonPicture) -> str:
    return ", ".join(f"{month.name} {amount('emc_percent', month.mean)}" for month in months_of(picture))


def _against_bounds(told: list[EmcDay], picture: SeasonPicture) -> str:
    asked = picture.asked()
    return " ".join(_against(told, *one, picture, alone=len(asked) == 1) for one in asked)


def _against(told: list[EmcDay], bounds: Bounds, span: Span, picture: SeasonPicture, *, alone: bool) -> str:
    days = [day for day in told if span.from_ms <= day.span.from_ms < span.to_ms]
    low, high = bounds.low, bounds.high
    below = sum(low is not None and day.lowest is not None and day.lowest < low for day in days)
    above = sum(high is not None and day.highest is not None and day.highest > high for day in days)
    when = "" if alone else f" from {words.day(span.from_ms, picture.time_zone)}"
    return (
        f"The window{when} asks for {bounds_words('emc_percent', bounds)}: {below} of {len(days)} days fell below it "
        f"and {above} rose above it for an hour or more."
    )
