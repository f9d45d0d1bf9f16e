"""Which stretch of a room's past a page shows: up to now, or up to an instant or a day of the past that was asked for.

In an address, `until` is the instant at which the stretch ends (ISO 8601, in the site's zone where it names none); a
date alone means the end of that day. Stretches of the past end at whole minutes. `day` is what the form's date field
sends: it wins over `until` when it names another day, and empty it means now. An end that has not come yet means now.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from typing import Final, NamedTuple

from dashboards.api.series_query import instant_ms
from dashboards.shell.problems import AnswerError

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 60 * MINUTE_MS
DAY_MS: Final = 24 * HOUR_MS


class Span(NamedTuple):
    """A length of time to look at.  rows: of the table beside the chart."""

    title: str
    length_ms: int
    rows: int


SPANS: Final[dict[str, Span]] = {
    "6h": Span("6 hours", 6 * HOUR_MS, 8),
    "1d": Span("24 hours", DAY_MS, 14),
    "3d": Span("3 days", 3 * DAY_MS, 14),
    "7d": Span("7 days", 7 * DAY_MS, 9),
    "30d": Span("30 days", 30 * DAY_MS, 17),
    "90d": Span("90 days", 91 * DAY_MS, 15),
    "1y": Span("1 year", 365 * DAY_MS, 15),
}
"""How much of the past the time chart may show, by the name that stands in the address."""

USUAL_SPAN: Final = "3d"

_DATE: Final = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True, slots=True)
class Look:
    """The stretch that a page shows, from_ms <= instant < to_ms (UTC), of the length of SPANS[span].

    past: whether it ends at an instant that was asked for; else it ends now and moves on with it.
    """

    span: str
    from_ms: int
    to_ms: int
    past: bool

    @property
    def length_ms(self) -> int:
        """Give its length."""
        return SPANS[self.span].length_ms

    def moved(self, by_ms: int, now_ms: int) -> Look:
        """Give the stretch that lies so much later (or earlier, where negative), at the latest up to now."""
        return _ending(self.span, self.to_ms + by_ms, now_ms)


def look(span: str | None, until: str | None, day: str | None, *, now_ms: int, zone: tzinfo) -> Look:
    """Read what was asked for.  span: a name in SPANS, else the usual one.

    Raises AnswerError (400) where `until` or `day` is no instant.
    """
    name = span if span in SPANS else USUAL_SPAN
    until_ms = None if not (until or "").strip() else _end_ms("until", until or "", zone)
    if day is not None:
        until_ms = _by_day(day.strip(), until_ms, zone)
    return _ending(name, now_ms if until_ms is None else until_ms, now_ms)


def around(began_ms: int, ended_ms: int, *, now_ms: int) -> Look:
    """Give the shortest stretch that shows what lasted from `began_ms` to `ended_ms`, with some time around it."""
    length_ms = max(ended_ms - began_ms, HOUR_MS)
    name = next((name for name, span in SPANS.items() if span.length_ms >= 1.5 * length_ms), "1y")
    beside_ms = (SPANS[name].length_ms - length_ms) // 2
    if beside_ms < 0:  # longer than any stretch: how it began
        return _ending(name, began_ms + SPANS[name].length_ms * 9 // 10, now_ms)
    return _ending(name, -(-(ended_ms + beside_ms) // HOUR_MS) * HOUR_MS, now_ms)


def as_text(at_ms: int, zone: tzinfo) -> str:
    """Write a whole minute for an address: the site's own time, with its offset where that alone says too little.

    "2021-02-20T12:00"; in the hour that a clock change repeats "2021-10-31T03:30+02:00".
    """
    when = datetime.fromtimestamp(at_ms // 1000, UTC).astimezone(zone)
    bare = when.replace(tzinfo=None).isoformat(timespec="minutes")
    return bare if instant_ms("until", bare, zone) == at_ms else when.isoformat(timespec="minutes")


def day_of(at_ms: int, zone: tzinfo) -> date:
    """Give the day of which a stretch that ends at this instant shows the last part: midnight ends the day before."""
    return datetime.fromtimestamp((at_ms - 1) / 1000, UTC).astimezone(zone).date()


def end_of_day(at_ms: int, zone: tzinfo) -> date | None:
    """Give the day that ends at this instant, where it is a midnight there."""
    when = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(zone)
    return day_of(at_ms, zone) if (when.hour, when.minute, when.second) == (0, 0, 0) else None


def _ending(span: str, to_ms: int, now_ms: int) -> Look:
    length_ms = SPANS[span].length_ms
    to_ms = to_ms // MINUTE_MS * MINUTE_MS if to_ms < now_ms else now_ms
    end_ms = max(to_ms, length_ms)  # nothing lies before 1970
    return Look(span, end_ms - length_ms, end_ms, past=end_ms < now_ms)


def _end_ms(name: str, text: str, zone: tzinfo) -> int:
    at_ms = instant_ms(name, text, zone)
    if not _DATE.fullmatch(text.strip()):
        return at_ms
    following = date.fromisoformat(text.strip()) + timedelta(days=1)
    return instant_ms(name, following.isoformat(), zone)


def _by_day(text: str, until_ms: int | None, zone: tzinfo) -> int | None:
    if not text:
        return None
    if not _DATE.fullmatch(text):
        raise AnswerError(400, f"day={text[:60]!r} is not a day.", where="day", mend="Write it as 2026-01-31.")
    end_ms = _end_ms("day", text, zone)
    same = until_ms is not None and day_of(until_ms, zone).isoformat() == text
    return until_ms if same else end_ms
