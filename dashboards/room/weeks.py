"""A room week by week: the last weeks up to now, or up to the end of the stretch of the past that a page shows."""

from __future__ import annotations

import itertools
import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from typing import Final

from dashboards.room.context import StripPiece, WeekFigures, WeekRow, WeeksTable
from dashboards.shell.looking_back import DAY_MS, SPANS, Look
from dashboards.visit import Visit
from ingest.practice.room_air import HourlyEmc, Spread
from ingest.practice.week_edges import weeks_touching
from ingest.practice.week_words import CAUTION, EMC_NOTE, conclusion
from ingest.practice.weeks import NOT_KNOWN, OUTSIDE, WITHIN, Week, WeekState, week_by_week
from ingest.present import digits, words
from ingest.present.digits import Units
from ingest.site.places import Room, Sensor
from ingest.site.series import Span

WEEKS_SHOWN: Final = 8
_KEPT_FOR_S: Final = 600.0
_MOST_KEPT: Final = 512

_KEYS: Final = {
    WeekState.IN_RANGE: "in_range",
    WeekState.BRIEFLY_OUT: "leaving_range",
    WeekState.OUT_OF_RANGE: "out_of_range",
    WeekState.NOT_KNOWN: "unknown",
    WeekState.NO_WINDOW: "unknown",
}
"""Which mark and colour of a room's states a week gets."""

_PIECES: Final = {WITHIN: "in_range", OUTSIDE: "out_of_range", NOT_KNOWN: "unknown"}


class WeeksKept:
    """Weeks that are over, kept for some minutes: a live page asks for them at every refresh.

    A reading that comes late changes a week that is over; it is seen here ten minutes later at the latest, by the
    site's clock. Safe to use from any thread.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[Room, tuple[Sensor, ...], str, Span], tuple[float, Week]] = OrderedDict()

    def weeks(self, visit: Visit, room: Room, spans: Sequence[Span]) -> list[Week]:
        """Give these weeks of a room (following each other), the last one as far as the clock has come."""
        now_s = visit.services.clock.monotonic_s()
        found = [self._found(visit, room, span, now_s) for span in spans]
        wanted = [index for index, week in enumerate(found) if week is None]
        if not wanted:
            return [week for week in found if week is not None]
        first, last = wanted[0], wanted[-1]
        to_ms = min(spans[last].to_ms, visit.now_ms)
        fresh = week_by_week(visit.services.read, visit.site, room, spans[first].from_ms, to_ms)
        self._keep(visit, room, fresh, now_s)
        return [*filter(None, found[:first]), *fresh, *filter(None, found[last + 1 :])]

    def _found(self, visit: Visit, room: Room, span: Span, now_s: float) -> Week | None:
        with self._lock:
            kept_s, week = self._kept.get(_key(visit, room, span), (None, None))
        return week if kept_s is not None and 0 <= now_s - kept_s < _KEPT_FOR_S else None

    def _keep(self, visit: Visit, room: Room, weeks: Sequence[Week], now_s: float) -> None:
        with self._lock:
            for week in weeks:
                if week.whole and week.calendar.to_ms <= visit.now_ms:
                    self._kept[_key(visit, room, week.calendar)] = (now_s, week)
            while len(self._kept) > _MOST_KEPT:
                self._kept.popitem(last=False)


def _key(visit: Visit, room: Room, span: Span) -> tuple[Room, tuple[Sensor, ...], str, Span]:
    return room, visit.site.sensors_of(room.id), visit.site.time_zone, span


def weeks_table(visit: Visit, kept: WeeksKept, room: Room, look: Look) -> WeeksTable:
    """Gather the last weeks up to the end of the stretch that the page shows, newest first.

    Weeks before the first one with a reading are left out.
    """
    last = weeks_touching(look.to_ms - 1, look.to_ms, visit.site.time_zone)[0]
    spans = weeks_touching(last.from_ms - (WEEKS_SHOWN - 1) * 7 * DAY_MS, last.from_ms + 1, visit.site.time_zone)
    weeks = kept.weeks(visit, room, spans[-WEEKS_SHOWN:])
    heard = list(itertools.dropwhile(lambda week: not _heard(week), weeks))
    return WeeksTable(
        rows=tuple(_row(visit, room, week) for week in reversed(heard)),
        temperature_unit=digits.unit("temperature_c", visit.units),
        note=EMC_NOTE,
        caution=CAUTION,
    )


def _heard(week: Week) -> bool:
    return week.temperature_c is not None or week.rh_percent is not None


def _row(visit: Visit, room: Room, week: Week) -> WeekRow:
    so_far = week.calendar.to_ms > visit.now_ms
    emc, rh, temperature = week.hourly_emc_percent, week.rh_percent, week.temperature_c
    return WeekRow(
        when=_monday(visit, week),
        so_far=so_far,
        address=visit.room_link(room.id, _look(visit, week)),
        key=_KEYS[week.state],
        state=week.state.value,
        told=conclusion(week, visit.units, so_far=so_far),
        pieces=tuple(_pieces(week)),
        strip_hours=round((week.calendar.to_ms - week.calendar.from_ms) / 3_600_000),
        strip_words=_strip_words(week),
        temperature=_figures("temperature_c", temperature, visit.units),
        rh=_figures("rh_percent", rh, visit.units),
        emc=_figures("emc_percent", emc, visit.units),
    )


def _monday(visit: Visit, week: Week) -> str:
    """Say when a week began, with the year where that is not clear from here."""
    when = words.local(week.calendar.from_ms, visit.site.time_zone)
    this_year = words.local(visit.now_ms, visit.site.time_zone).year == when.year
    return f"{when.day} {when:%b}" if this_year else f"{when.day} {when:%b} {when.year}"


def _look(visit: Visit, week: Week) -> Look:
    end_ms = min(week.calendar.to_ms, visit.now_ms)
    return Look("7d", end_ms - SPANS["7d"].length_ms, end_ms, past=end_ms < visit.now_ms)


def _pieces(week: Week) -> Iterator[StripPiece]:
    """Give the runs of hours in which the room stood alike."""
    begins = 0
    for mark, run in itertools.groupby(week.strip):
        hours = len(list(run))
        kind = "known" if week.state is WeekState.NO_WINDOW and mark == WITHIN else _PIECES[mark]
        yield StripPiece(kind, begins, hours)
        begins += hours


def _strip_words(week: Week) -> str:
    parts = [(week.within_ms, "in"), (week.outside_ms, "out"), (week.not_known_ms, "not known")]
    if week.state is WeekState.NO_WINDOW:
        parts = [(week.within_ms, "known"), (week.not_known_ms, "not known")]
    return ", ".join(f"{words.duration_ms(ms)} {what}" for ms, what in parts if ms)


def _figures(quantity: str, told: Spread | HourlyEmc | None, units: Units) -> WeekFigures:
    if told is None:
        return WeekFigures(digits.NOTHING, "")
    low, high = (told.lowest, told.highest) if isinstance(told, HourlyEmc) else (told.minimum, told.maximum)
    mean, lowest, highest = (digits.figure(quantity, value, units).number for value in (told.mean, low, high))
    return WeekFigures(mean, f"{lowest} … {highest}")
