"""What `lumberroom weeks` prints: a table for people, a JSON document for machines."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Any, Final

from ingest.practice.room_air import HourlyEmc, Spread
from ingest.practice.week_words import CAUTION, EMC_NOTE, conclusion, summary, window_words
from ingest.practice.weeks import Week, WeekState
from ingest.present import digits, words
from ingest.present.digits import Units, number
from ingest.site.places import AcclimationWindow, Room, Site
from ingest.site.series import Span

WIDTH: Final = 100
_HOUR_MS: Final = 3_600_000
_LEGEND: Final = (
    "Weeks begin on Monday at midnight, site time; * only a part of the week was looked at. Heard: share of it that "
    "readings cover. Hours: in the window, out of it, not known, and the longest time out without a break."
)
# The columns in groups: title, the widths of its cells, and their heads. The state in words comes last.
_GROUPS: Final = (
    ("Week of", (11,), ("",)),
    ("Heard", (6,), ("",)),
    ("Temperature", (7, 6, 6), ("mean", "low", "high")),
    ("RH, %", (6, 4, 5), ("mean", "low", "high")),
    ("EMC by hour, %", (6, 5, 5), ("mean", "low", "high")),
    ("Hours", (5, 4, 4, 5), ("in", "out", "?", "max")),
)
_WIDTHS: Final = tuple(width for _, widths, _ in _GROUPS for width in widths)
_INDENT: Final = " " * 13


def table(weeks: Sequence[Week], site: Site, room: Room, window: AcclimationWindow | None, units: Units) -> str:
    """Give the weeks as a table of at most `WIDTH` columns, with what it means below it.

    window: what they were judged by.
    """
    # Without a wish of the asker's it is the room's own, and its phases have theirs.
    then = (
        ", and from the first day of each phase by that phase's window" if room.phases and window is room.window else ""
    )
    judged_by = f"{room.title}, week by week. Judged by: {window_words(window, units)}{then}."
    lines = [*_wrapped(judged_by), "", *_heads(units)]
    for week in weeks:
        lines += _row(week, site, units)
    for note in (summary(weeks), "", _LEGEND, EMC_NOTE, CAUTION):
        lines += _wrapped(note) or [""]
    return "\n".join(lines)


def _heads(units: Units) -> Iterator[str]:
    titles = [_title(title, units) for title, _, _ in _GROUPS]
    spans = [sum(widths) for _, widths, _ in _GROUPS]
    yield "".join(f"{title:>{span}}" for title, span in zip(titles, spans, strict=True)).rstrip()
    yield _line([head for _, _, heads in _GROUPS for head in heads], "")


def _title(title: str, units: Units) -> str:
    return f"{title}, {digits.unit('temperature_c', units)}" if title == "Temperature" else title


def _line(cells: Sequence[str], last: str) -> str:
    padded = (f"{cell:>{width}}" for cell, width in zip(cells, _WIDTHS, strict=True))
    return f"{''.join(padded)}  {last}".rstrip()


def _row(week: Week, site: Site, units: Units) -> Iterator[str]:
    temperature, rh, emc = week.temperature_c, week.rh_percent, week.hourly_emc_percent
    figures = (None,) * 3 if temperature is None else (temperature.mean, temperature.minimum, temperature.maximum)
    shares = (None,) * 3 if rh is None else (rh.mean, rh.minimum, rh.maximum)
    hourly = (None,) * 3 if emc is None else (emc.mean, emc.lowest, emc.highest)
    cells = (
        f"{words.local(week.calendar.from_ms, site.time_zone):%Y-%m-%d}{' ' if week.whole else '*'}",
        f"{week.coverage * 100:.0f} %",
        *(digits.figure("temperature_c", value, units).number for value in figures),
        *(number(value, 0) for value in shares),
        *(number(value, 1) for value in hourly),
        *(_hours_cell(ms) for ms in (week.within_ms, week.outside_ms, week.not_known_ms)),
        _hours_cell(week.longest_outside_ms),
    )
    yield _line(cells, week.state.value)
    if week.state not in (WeekState.IN_RANGE, WeekState.NO_WINDOW):
        yield from _wrapped(conclusion(week, units), _INDENT)


def _wrapped(text: str, indent: str = "") -> list[str]:
    """Break text into lines, but never between a figure and its unit."""
    kept = re.sub(r"(?<=\d) (?=[%°hm])", "\u00a0", text)
    lines = textwrap.wrap(kept, WIDTH, initial_indent=indent, subsequent_indent=indent)
    return [line.replace("\u00a0", " ") for line in lines]


def _hours_cell(ms: int) -> str:
    hours = ms / _HOUR_MS
    # A quarter of an hour is neither nought nor worth a decimal on 168.
    return number(hours, 1 if 0 < hours < 9.95 else 0)


def document(weeks: Sequence[Week], site: Site, room: Room, window: AcclimationWindow | None) -> str:
    """Give the weeks as JSON; units are in the names. Readers must pass over names that they do not know."""
    found = {
        "site": site.name,
        "room": room.id,
        "time_zone": site.time_zone,
        "judged_by": _window(window),
        "weeks": [_week(week, site) for week in weeks],
        "summary": summary(weeks),
        "notes": [EMC_NOTE, CAUTION],
    }
    return json.dumps(found, ensure_ascii=False, indent=2)


def _window(window: AcclimationWindow | None) -> dict[str, Any] | None:
    if window is None:
        return None
    bounds = {name: {"low": bound.low, "high": bound.high} for name, bound in window.bounds().items()}
    return {**bounds, "dwell_s": window.dwell_s}


def _week(week: Week, site: Site) -> dict[str, Any]:
    year, number_of, _ = words.local(week.calendar.from_ms, site.time_zone).isocalendar()
    longest = week.longest_outside
    temperature, rh, emc = week.temperature_c, week.rh_percent, week.hourly_emc_percent
    return {
        "iso_week": f"{year}-W{number_of:02d}",
        **_ends(week.calendar, site),
        "looked_at": _ends(week.looked_at, site),
        "whole": week.whole,
        "coverage": round(week.coverage, 6),
        "temperature_c": None if temperature is None else _plain(temperature),
        "rh_percent": None if rh is None else _plain(rh),
        "hourly_emc_percent": None if emc is None else _plain(emc),
        "hours_within": week.within_ms / _HOUR_MS,
        "hours_outside": week.outside_ms / _HOUR_MS,
        "hours_not_known": week.not_known_ms / _HOUR_MS,
        "longest_outside": None if longest is None else {**_ends(longest, site), "hours": _hours(longest)},
        "bounds_passed": [
            {
                "quantity": passed.quantity,
                "side": passed.side,
                "bound": passed.bound,
                "hours": passed.lasted_ms / _HOUR_MS,
                "worst": passed.worst,
            }
            for passed in week.passed
        ],
        "state": week.state.value,
        "conclusion": conclusion(week),
    }


def _ends(span: Span, site: Site) -> dict[str, str]:
    """Give the ends of a span with the offset that the site's clocks had then."""
    begins, ends = (words.local(at_ms, site.time_zone).isoformat() for at_ms in span)
    return {"from": begins, "to": ends}


def _hours(span: Span) -> float:
    return (span.to_ms - span.from_ms) / _HOUR_MS


def _plain(figures: Spread | HourlyEmc) -> dict[str, float]:
    return asdict(figures)
