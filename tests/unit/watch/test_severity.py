"""How bad an incident is, and the sum behind it: exact, the same in any pieces, never of a gap."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.contract import Reading, Stamp
from ingest.site.incidents import IncidentKind, Severity
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.rules import Rules
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.rounds import Watch
from ingest.watch.severity import RANK, SPOKEN, Weight, hours, severity, spoken
from ingest.watch.window.folding import judge_series
from ingest.watch.window.judge import Rule, SensorState
from ingest.watch.window.verdicts import Samples

T0_MS = 1_795_600_800_000
MINUTE_MS = 60_000
WINDOW = AcclimationWindow(rh_percent=Bounds(35.0, 55.0), dwell_s=0)
RULES = Rules()


def excess(values: list[float], minutes: list[int], offline_after_s: float = 1800.0) -> float:
    """Give the %-hours that a judge sums up of RH readings at these minutes."""
    at_ms = np.array(minutes, dtype=np.int64) * MINUTE_MS + T0_MS
    samples = Samples(at_ms, {"rh_percent": np.array(values)})
    state, _ = judge_series(SensorState(), samples, Rule.of(WINDOW, offline_after_s))
    return hours(state.excess.get("rh_percent", 0))


def test_the_sum_is_distance_times_time() -> None:
    """Five points beyond the bound for two hours are ten %-hours; below counts as above does."""
    quarters = list(range(0, 121, 15))
    assert excess([60.0] * 9, quarters) == pytest.approx(10.0)
    assert excess([30.0] * 9, quarters) == pytest.approx(10.0)


def test_the_sum_is_that_of_the_trapezium_rule() -> None:
    """A wave above the bound gives what NumPy's trapezium rule gives of it, to the thousandth of a point."""
    minutes = list(range(0, 600, 5))
    values = [58.0 + 2.5 * float(np.sin(minute / 37)) for minute in minutes]
    expected = np.trapezoid(np.array(values) - 55.0, np.array(minutes) / 60)
    assert excess(values, minutes) == pytest.approx(float(expected), abs=0.001 * minutes[-1] / 60)


def test_a_gap_counts_for_nothing() -> None:
    """An hour between two readings, where half an hour is silence, adds nothing, however far outside both are."""
    assert excess([60.0, 60.0, 60.0, 60.0], [0, 15, 75, 90]) == pytest.approx(2 * 5 * 0.25)
    assert excess([60.0] * 7, list(range(0, 91, 15))) == pytest.approx(5 * 1.5)


@pytest.mark.parametrize(
    ("margins", "margin_hours", "expected"),
    [
        (1.0, 0.5, Severity.SLIGHT),
        (5.0, 4.9, Severity.SLIGHT),  # far, not yet for an hour of it
        (5.0, 5.0, Severity.SERIOUS),
        (1.0, 24.0, Severity.SERIOUS),  # a little, for a day
        (30.0, 59.9, Severity.SERIOUS),  # steam for an hour and more
        (15.0, 60.0, Severity.SEVERE),
        (2.0, 240.0, Severity.SEVERE),  # two points for five days
    ],
)
def test_how_far_and_how_long_make_it_worse(margins: float, margin_hours: float, expected: Severity) -> None:
    """The thresholds that `Rules` documents, at the figure itself and just below (common practice, no source)."""
    assert severity(IncidentKind.WINDOW, Weight(margins, margin_hours), RULES) is expected


@given(st.floats(0, 1e3), st.floats(0, 1e4), st.floats(0, 1e3), st.floats(0, 1e4), st.sampled_from(IncidentKind))
def test_more_is_never_less_bad(margins: float, more: float, time: float, longer: float, kind: IncidentKind) -> None:
    """Severity only rises with distance and time, whatever the kind."""
    before = severity(kind, Weight(margins, time), RULES)
    after = severity(kind, Weight(margins + more, time + longer), RULES)
    assert RANK[after] >= RANK[before]


def test_thresholds_switched_off_leave_it_slight() -> None:
    """Who wants no severity by distance and time has none."""
    off = Rules(serious_margins=None, serious_margin_hours=None, severe_margins=None, severe_margin_hours=None)
    assert severity(IncidentKind.WINDOW, Weight(1e6, 1e6), off) is Severity.SLIGHT


def test_condensation_and_a_damp_slab_are_severe_and_a_battery_slight() -> None:
    """Some kinds are what they are from the beginning."""
    kinds = (IncidentKind.CONDENSATION, IncidentKind.SLAB, IncidentKind.OFFLINE, IncidentKind.BATTERY)
    found = [severity(kind, Weight(0, 0), RULES) for kind in kinds]
    assert found == [Severity.SEVERE, Severity.SEVERE, Severity.SERIOUS, Severity.SLIGHT]


@given(st.floats(0.001, 1e6))
def test_what_is_told_is_never_more_than_it_is(amount: float) -> None:
    """Rounding down to the told steps loses less than half, and a step is told as itself."""
    told = spoken(amount)
    assert told <= amount * (1 + 1e-9)
    assert told > amount / 2
    for step in SPOKEN:
        assert spoken(step * 10) == pytest.approx(step * 10)


@settings(max_examples=12, deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from([45.0, 56.0, 58.5, 70.0, 30.0]), st.integers(4, 40)), min_size=2, max_size=6),
    st.integers(1, 50),
    st.randoms(use_true_random=False),
)
def test_severity_and_sum_are_the_same_live_and_judged_again(
    tmp_path_factory: pytest.TempPathFactory, runs: list[tuple[float, int]], size: int, chance: object
) -> None:
    """Packs in order of time, or shuffled: the incidents weigh the same in the end, to the digit."""
    values = list(itertools.chain.from_iterable([value] * count for value, count in runs))
    readings = [
        Reading("a", "rh_percent", value, T0_MS + 10 * minute * MINUTE_MS, Stamp.SENSOR)
        for minute, value in enumerate(values)
    ]
    packs = [readings[start : start + size] for start in range(0, len(readings), size)]
    shuffled = list(packs)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    site = Site("Invented", rooms=(Room("store", "Store", WINDOW),), sensors=(Sensor("a", "store"),))
    outcomes = []
    for order in (packs, shuffled):
        with SqliteStore.open(tmp_path_factory.mktemp("weigh") / "lumberroom.sqlite3") as store:
            watch = Watch()
            for pack in order:
                batch, now_ms = ReadingBatch.of(pack), readings[-1].at_ms
                with store.transaction() as work:
                    work.append(batch, heard_ms=now_ms)
                    watch.judge_readings(work, site, batch, now_ms=now_ms)
            outcomes.append([(i.opened_ms, i.severity, i.excess_hours) for i in store.read.incidents()])
    assert outcomes[0] == outcomes[1]


def test_growing_severe_is_told_once_and_the_record_has_it(tmp_path: Path) -> None:
    """A room that stays a little too damp is told when it opens, turns serious after a day, and severe after ten."""
    site = Site("Invented", rooms=(Room("store", "Store", WINDOW),), sensors=(Sensor("a", "store"),))
    told = []
    with SqliteStore.open(tmp_path / "lumberroom.sqlite3") as store:
        watch = Watch()
        for quarter in range(11 * 96):
            at_ms = T0_MS + quarter * 15 * MINUTE_MS
            batch = ReadingBatch.of([Reading("a", "rh_percent", 56.0, at_ms, Stamp.SENSOR)])
            with store.transaction() as work:
                work.append(batch, heard_ms=at_ms)
                told += watch.judge_readings(work, site, batch, now_ms=at_ms)
        kept = [entry.body["severity"] for entry in store.read.history("incident", told[0].id)]
    assert [one.severity for one in told] == [Severity.SLIGHT, Severity.SERIOUS, Severity.SEVERE]
    assert len(kept) < 30
    assert [severity for severity, _ in itertools.groupby(kept)] == ["slight", "serious", "severe"]
