"""What each week did in a room, from the sensors in its air. Pure functions of the reader, site, room and stretch.

Weeks are those of the site's calendar. Everything is reckoned from held values (`ingest.practice.held`): a reading
stands for the time that it covers, and what no reading covers is not known, never filled in.

With several sensors the room is as bad as its worst: it is outside while any of them is, within while one covers
that and none is outside. Outside takes one quantity beyond its bound; within takes all judged quantities.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from ingest.practice.held import values_between
from ingest.practice.judged import SIDES, Judgement, judge, stretches
from ingest.practice.plans import plan_on_record
from ingest.practice.room_air import (
    ENOUGH_OF_AN_HOUR,
    HourlyEmc,
    RoomAir,
    Spread,
    hourly_by_sensor,
    hourly_emc,
    room_air,
    spreads,
)
from ingest.practice.week_edges import hour_edges_ms, weeks_touching
from ingest.site.places import AcclimationWindow, Room, Site
from ingest.site.series import Floats, Int64s, Span
from ingest.store.api import SeriesReader
from ingest.watch.window.plan import EVER_MS, Held, Plan, window_at

ENOUGH_OF_A_WEEK: Final = 0.9
"""The share of a week that readings must cover, or it is not called kept (common practice, no source)."""

WITHIN: Final = "."
OUTSIDE: Final = "x"
NOT_KNOWN: Final = "?"
"""How an hour is written in `Week.strip`."""

_WEEKS_AT_ONCE: Final = 13  # a quarter of readings is in memory at a time, however long the record


class WeekState(enum.Enum):
    """How a week stood towards the window: a closed list, each said as its value."""

    IN_RANGE = "in range"  # enough is known, and nothing was outside
    BRIEFLY_OUT = "briefly out"  # enough is known, and no time outside lasted as long as the window's dwell time
    OUT_OF_RANGE = "out of range"  # outside for at least the dwell time without a break, however little else is known
    NOT_KNOWN = "not known"  # too little is covered
    NO_WINDOW = "no window"  # there is nothing to judge by


@dataclass(frozen=True, slots=True)
class Passed:
    """A bound that was passed.

    side: "below" or "above".  lasted_ms: for how long any sensor was beyond it.  worst: the furthest reading beyond.
    """

    quantity: str
    side: str
    bound: float
    lasted_ms: int
    worst: float


@dataclass(frozen=True, slots=True)
class Week:
    """What a week did in a room.

    calendar: Monday to Monday.  looked_at: the part of it that was asked about.  within_ms, outside_ms, not_known_ms
    add up to that part.  longest_outside: the longest time outside without a break; it ends with the week at the
    latest.  strip: a character for each hour of the part asked about: `OUTSIDE` where any of it was outside, or else
    `NOT_KNOWN` where more than half of it is not known, or else `WITHIN`.  Figures are None where nothing is known.
    """

    calendar: Span
    looked_at: Span
    temperature_c: Spread | None
    rh_percent: Spread | None
    hourly_emc_percent: HourlyEmc | None
    within_ms: int
    outside_ms: int
    not_known_ms: int
    longest_outside: Span | None
    passed: tuple[Passed, ...]
    strip: str
    state: WeekState

    @property
    def length_ms(self) -> int:
        """How long the part is that was asked about."""
        return self.looked_at.to_ms - self.looked_at.from_ms

    @property
    def longest_outside_ms(self) -> int:
        """How long the longest time outside was, 0 where there was none."""
        return 0 if self.longest_outside is None else self.longest_outside.to_ms - self.longest_outside.from_ms

    @property
    def whole(self) -> bool:
        """Whether the whole week was asked about."""
        return self.looked_at == self.calendar

    @property
    def coverage(self) -> float:
        """The share of the part asked about for which readings say how the room stood, 0 to 1."""
        return 1.0 - self.not_known_ms / self.length_ms


def week_by_week(
    reader: SeriesReader, site: Site, room: Room, from_ms: int, to_ms: int, *, window: AcclimationWindow | None = None
) -> list[Week]:
    """Say what each week did in a room, for the weeks with a part in from_ms <= t < to_ms, in order.

    The first and the last are looked at as far as that stretch reaches into them.  window: to judge by; without one,
    each instant is judged by the window that the room had then (`plans`).
    """
    plan: Plan = plan_on_record(reader, site, room) if window is None else (Held(EVER_MS, window),)
    calendar = weeks_touching(from_ms, to_ms, site.time_zone)
    found: list[Week] = []
    for first in range(0, len(calendar), _WEEKS_AT_ONCE):
        spans = calendar[first : first + _WEEKS_AT_ONCE]
        air = room_air(reader, site, room, max(from_ms, spans[0].from_ms), min(to_ms, spans[-1].to_ms))
        found += _weeks(air, plan, spans, lambda at_ms: _lasts_through(reader, site, room, plan, at_ms))
    return found


def _lasts_through(reader: SeriesReader, site: Site, room: Room, plan: Plan, at_ms: int) -> bool:
    """Say whether the air was outside around an instant for the dwell time: a week's end ends no excursion."""
    window = window_at(plan, at_ms)
    if window is None or any(held.from_ms == at_ms for held in plan):
        return False
    dwell_ms = round(window.dwell_s * 1000)
    around = Span(at_ms - dwell_ms, at_ms + dwell_ms)
    of_window = next(stretch for _, stretch in stretches(plan, around) if stretch.from_ms <= at_ms < stretch.to_ms)
    judgement = judge(room_air(reader, site, room, *around), plan, np.array([at_ms], dtype=np.int64))
    longest = judgement.longest(judgement.outside, of_window)
    return longest is not None and longest.from_ms < at_ms < longest.to_ms and _length_ms(longest) >= dwell_ms


def _length_ms(span: Span) -> int:
    return span.to_ms - span.from_ms


def _weeks(air: RoomAir, plan: Plan, calendar: Sequence[Span], lasts_through: Callable[[int], bool]) -> Iterator[Week]:
    parts = [Span(max(span.from_ms, air.from_ms), min(span.to_ms, air.to_ms)) for span in calendar]
    edges_ms = np.array([*(part.from_ms for part in parts), air.to_ms], dtype=np.int64)
    hours_ms = hour_edges_ms(calendar, air.from_ms, air.to_ms)
    judgement = judge(air, plan, hours_ms)
    spread_of = {
        name: spreads(rows, judgement.shares(judgement.told(name), edges_ms), edges_ms)
        for name, rows in air.series.items()
    }
    strip = _strip(judgement, hours_ms)
    by_sensor = hourly_by_sensor(air, hours_ms)
    for index, (span, part) in enumerate(zip(calendar, parts, strict=True)):
        first, last = np.searchsorted(hours_ms, part)
        figures = {name: several[index] for name, several in spread_of.items()}
        hours = slice(int(first), int(last))
        emc = hourly_emc(by_sensor[:, hours])
        has_lasted = _has_lasted(judgement, plan, part, lasts_through)
        passed = tuple(_passed(air, judgement, plan, part))
        yield _week(
            span, part, figures, emc, judgement, passed, _state(judgement, plan, part, has_lasted), strip[hours]
        )


def _strip(judgement: Judgement, hours_ms: Int64s) -> str:
    outside = judgement.shares(judgement.outside, hours_ms) > 0
    known = judgement.shares(judgement.within, hours_ms) >= ENOUGH_OF_AN_HOUR
    return "".join(np.where(outside, OUTSIDE, np.where(known, WITHIN, NOT_KNOWN)).tolist())


def _week(  # noqa: PLR0917
    calendar: Span,
    part: Span,
    figures: Mapping[str, Spread | None],
    hourly: HourlyEmc | None,
    judgement: Judgement,
    passed: tuple[Passed, ...],
    state: WeekState,
    strip: str,
) -> Week:
    within_ms = judgement.lasting_ms(judgement.within, part)
    outside_ms = judgement.lasting_ms(judgement.outside, part)
    return Week(
        calendar=calendar,
        looked_at=part,
        temperature_c=figures["temperature_c"],
        rh_percent=figures["rh_percent"],
        hourly_emc_percent=hourly,
        within_ms=within_ms,
        outside_ms=outside_ms,
        not_known_ms=_length_ms(part) - within_ms - outside_ms,
        longest_outside=judgement.longest(judgement.outside, part),
        passed=passed,
        strip=strip,
        state=state,
    )


def _passed(air: RoomAir, judgement: Judgement, plan: Plan, part: Span) -> Iterator[Passed]:
    """Give the bounds that were passed, each with the worst of the time for which it held."""
    for window, stretch in stretches(plan, part):
        for quantity, bounds in {} if window is None else window.bounds().items():
            for side in SIDES:
                bound = bounds.low if side == "below" else bounds.high
                lasted_ms = judgement.lasting_ms(judgement.beyond(quantity, side), stretch)
                if lasted_ms and bound is not None:
                    values = np.concatenate([values_between(one, *stretch) for one in air.series[quantity]])
                    yield Passed(quantity, side, bound, lasted_ms, float(_WORST[side](values)))


_WORST: Final[Mapping[str, Callable[[Floats], np.float64]]] = {"below": np.min, "above": np.max}


def _has_lasted(judgement: Judgement, plan: Plan, part: Span, lasts_through: Callable[[int], bool]) -> bool:
    """Say whether the air was outside one window for that window's dwell time, in the week or across its ends.

    A new window begins all continuity anew, here as in the watch (`judge.under_new_window`).
    """
    for window, stretch in stretches(plan, part):
        longest = judgement.longest(judgement.outside, stretch)
        if window is not None and longest is not None and _length_ms(longest) >= window.dwell_s * 1000:
            return True
    ends = judgement.at(judgement.outside, part.from_ms), judgement.at(judgement.outside, part.to_ms - 1)
    return any(is_out and lasts_through(at_ms) for is_out, at_ms in zip(ends, part, strict=True))


def _state(judgement: Judgement, plan: Plan, part: Span, has_lasted: bool) -> WeekState:
    if not any(window is not None and window.bounds() for window, _ in stretches(plan, part)):
        return WeekState.NO_WINDOW
    if has_lasted:
        return WeekState.OUT_OF_RANGE
    outside_ms = judgement.lasting_ms(judgement.outside, part)
    known_ms = outside_ms + judgement.lasting_ms(judgement.within, part)
    if known_ms < ENOUGH_OF_A_WEEK * _length_ms(part):
        return WeekState.NOT_KNOWN
    return WeekState.BRIEFLY_OUT if outside_ms else WeekState.IN_RANGE
