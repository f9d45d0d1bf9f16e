"""Weeks, days, digests and room accounts never disagree with the incidents of the watch about the same air.

Any air of one sensor, read every ten minutes with gaps, judged by any plan of phases: what the watch says, living
through it, is laid beside what is reckoned afterwards from the held readings. One difference is meant, and bounded
here: the watch counts from reading to reading, and a week as long as the last one covers (`SLACK_S`).
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.contract import Reading, Stamp
from ingest.notices.letters.room_account import room_facts
from ingest.practice.days import daily_emc
from ingest.practice.weeks import Week, WeekState, week_by_week
from ingest.site.actor import WATCH
from ingest.site.incidents import Incident
from ingest.site.places import AcclimationWindow, Bounds, Phase, Room, Sensor, Site
from ingest.site.series import ReadingBatch, Span
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch
from ingest.watch.window.plan import plan_of, window_at

ZONE = "Europe/Berlin"
DAY_MS = 86_400_000
STEP_MS = 600_000
SLACK_S = 3 * 600.0  # a reading covers at most three of its steps (`ingest.store.series.coverage`)
FIRST = dt.date(2026, 1, 12)  # a Monday
FROM_MS = int(dt.datetime(2026, 1, 12, tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)
DAYS = 15
TO_MS = FROM_MS + DAYS * DAY_MS

WINDOWS = st.builds(
    lambda low, width, emc_high, dwell_h: AcclimationWindow(
        rh_percent=Bounds(low, low + width),
        emc_percent=None if emc_high is None else Bounds(None, emc_high),
        dwell_s=dwell_h * 3600,
        return_dwell_s=1800.0,
    ),
    st.integers(30, 45),
    st.integers(5, 25),
    st.sampled_from([None, 8.5, 10.0]),
    st.sampled_from([0.5, 1, 2, 12]),
)
PHASES = st.lists(st.tuples(st.integers(1, DAYS - 1), WINDOWS), max_size=3, unique_by=lambda phase: phase[0])
LEVELS = st.lists(st.tuples(st.floats(25, 70), st.integers(1, 60), st.booleans()), min_size=5, max_size=60)


def lived(store: SqliteStore, site: Site, levels: list[tuple[float, int, bool]]) -> list[Incident]:
    """Live through the air a quarter of a day at a time; give the incidents."""
    rh, heard = [], []
    while len(rh) < DAYS * 144:
        for level, steps, is_heard in levels:
            rh += [round(level + 0.3 * np.sin(n), 2) for n in range(steps)]
            heard += [is_heard or steps < 20] * steps
    readings: list[Reading] = []
    for number, (value, is_heard) in enumerate(zip(rh[: DAYS * 144], heard, strict=False)):
        at_ms = FROM_MS + number * STEP_MS
        if is_heard:
            readings += [Reading("a", name, one, at_ms, Stamp.SENSOR)
                         for name, one in (("temperature_c", 20.0), ("rh_percent", value))]  # fmt: skip
    watch = Watch()
    with store.transaction() as work:
        work.save_site(site, at_ms=FROM_MS, by=WATCH)
    for begin in range(0, len(readings), 72):
        batch = ReadingBatch.of(readings[begin : begin + 72])
        with store.transaction() as work:
            work.append(batch, heard_ms=TO_MS)
            watch.judge_readings(work, site, batch, now_ms=TO_MS)
    return sorted(store.read.incidents(), key=lambda one: one.opened_ms)


def overlaps(incident: Incident, span: Span) -> bool:
    return incident.began_ms < span.to_ms and (incident.closed_ms is None or incident.closed_ms > span.from_ms)


def out_ms(store: SqliteStore, site: Site, span: Span) -> int:
    return sum(week.outside_ms for week in week_by_week(store.read, site, site.rooms[0], *span))


@settings(max_examples=40, deadline=None)
@given(window=WINDOWS, phases=PHASES, levels=LEVELS)
def test_no_account_disagrees_with_the_incidents(
    tmp_path_factory: pytest.TempPathFactory,
    window: AcclimationWindow,
    phases: list[tuple[int, AcclimationWindow]],
    levels: list[tuple[float, int, bool]],
) -> None:
    """What the watch opened an incident for, weeks call out of range; what they call so, the watch knows of."""
    plan = tuple(Phase(f"{day}", (FIRST + dt.timedelta(days=day)).isoformat(), one) for day, one in phases)
    room = Room("oak", "Oak store", window, phases=plan)
    site = Site("Invented joinery", ZONE, rooms=(room,), sensors=(Sensor("a", "oak", offline_after_s=1800.0),))
    with SqliteStore.open(tmp_path_factory.mktemp("agree") / "lumberroom.sqlite3") as store:
        incidents = lived(store, site, levels)
        weeks = week_by_week(store.read, site, room, FROM_MS, TO_MS)
        patient = replace(
            room, window=slower(window), phases=tuple(replace(one, window=slower(one.window)) for one in plan)
        )
        sure = [week.state for week in week_by_week(store.read, site, patient, FROM_MS, TO_MS)]
        for week, surely in zip(weeks, sure, strict=True):
            check_week(week, surely, incidents, room)
        for incident in incidents:
            # From the first reading outside to the one at which it had lasted, every reading was outside.
            assert out_ms(store, site, Span(incident.began_ms, incident.opened_ms)) == (
                incident.opened_ms - incident.began_ms
            )
        check_days(store, site)
        facts = room_facts(store.read, replace(site, rooms=(room,)), room, FROM_MS, TO_MS, whole=True)
        assert facts["outside_ms"] == sum(week.outside_ms for week in weeks)
        assert [one["incident"]["id"] for one in facts["incidents"]] == [one.id for one in incidents]


def slower(window: AcclimationWindow) -> AcclimationWindow:
    return replace(window, dwell_s=window.dwell_s + SLACK_S)


def check_week(week: Week, surely: WeekState, incidents: list[Incident], room: Room) -> None:
    """Lay a week beside the incidents.  surely: its state where every dwell time is longer by what is left open."""
    opened = [one for one in incidents if week.looked_at.from_ms <= one.opened_ms < week.looked_at.to_ms]
    if opened:
        assert week.state is WeekState.OUT_OF_RANGE
    if surely is WeekState.OUT_OF_RANGE:
        assert any(overlaps(one, week.calendar) for one in incidents)
    bounds = {
        (name, side, end)
        for held in plan_of(room, ZONE)
        for name, one in (held.window.bounds() if held.window else {}).items()
        for side, end in (("below", one.low), ("above", one.high))
    }
    for passed in week.passed:
        assert (passed.quantity, passed.side, passed.bound) in bounds
        assert (passed.worst < passed.bound) if passed.side == "below" else (passed.worst > passed.bound)


def check_days(store: SqliteStore, site: Site) -> None:
    """A day drawn beyond its bounds has time outside by the weeks, and has the bounds of its own window."""
    room = site.rooms[0]
    for day in daily_emc(store.read, site, room, FROM_MS, TO_MS):
        window = window_at(plan_of(room, ZONE), day.span.from_ms)
        assert day.bounds == (None if window is None else window.emc_percent)
        high = None if day.bounds is None else day.bounds.high
        if high is not None and day.highest is not None and day.highest > high:
            assert out_ms(store, site, day.span) > 0
