"""Buckets and coverage against a reference that does it the slow and obvious way."""

import itertools
from collections.abc import Iterator
from datetime import datetime, timedelta
from statistics import fmean
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.site.series import ReadingBatch, Series, SeriesKey, Span
from ingest.store.series import bucketing, coverage, rows, settling
from ingest.store.sqlite_store import SqliteStore

KEY = SeriesKey("attic", "temperature_c")
MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR


def slow_vouched(at_ms: list[int]) -> list[int]:
    """For how long each reading vouches, by the words of coverage.py, one reading at a time."""
    if len(at_ms) < 2:
        return [30 * MINUTE] * len(at_ms)
    intervals = [b - a for a, b in itertools.pairwise(at_ms)]
    width = min(9, len(intervals))

    def median(first: int) -> int:
        first = min(max(first, 0), len(intervals) - width)
        return sorted(intervals[first : first + width])[width // 2]

    vouched = []
    for i in range(len(at_ms)):
        allowed = int(min(max(3 * max(median(i - width), median(i)), MINUTE), 2 * HOUR))
        vouched.append(min(allowed, intervals[i]) if i < len(intervals) else allowed)
    return vouched


def slow_buckets(
    at_ms: list[int], value: list[float], edges: list[int]
) -> list[tuple[int, float, float, float, float]]:
    """Count, minimum, mean, maximum and coverage of each bucket, one bucket at a time."""
    vouched = slow_vouched(at_ms)
    rows = []
    for low, high in itertools.pairwise(edges):
        inside = [v for at, v in zip(at_ms, value, strict=True) if low <= at < high]
        seen = sum(max(0, min(at + v, high) - max(at, low)) for at, v in zip(at_ms, vouched, strict=True))
        nothing = float("nan")
        stats = (min(inside), fmean(inside), max(inside)) if inside else (nothing,) * 3
        rows.append((len(inside), *stats, seen / (high - low)))
    return rows


STEPS = st.one_of(st.integers(1, 5_000), st.just(60_000), st.integers(1, 20_000_000))
RISING = st.lists(STEPS, min_size=1, max_size=60).map(np.cumsum)


@settings(max_examples=200, deadline=None)
@given(at_ms=RISING, edges=RISING.filter(lambda e: len(e) > 1), data=st.data())
def test_buckets_are_those_of_the_slow_way(at_ms, edges, data) -> None:
    """Any instants, any edges: count, minimum, maximum exactly, mean and coverage to rounding."""
    value = np.array(data.draw(st.lists(st.floats(-100, 100), min_size=len(at_ms), max_size=len(at_ms))))
    got = bucketing.bucket(Series(at_ms, value), coverage.vouched_ms(at_ms), edges)
    slow = slow_buckets(at_ms.tolist(), value.tolist(), edges.tolist())
    count, minimum, mean, maximum, share = (np.array(column) for column in zip(*slow, strict=True))
    np.testing.assert_array_equal(got.count, count)
    np.testing.assert_array_equal(got.minimum, minimum)
    np.testing.assert_array_equal(got.maximum, maximum)
    np.testing.assert_allclose(got.mean, mean, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(got.coverage, share, rtol=1e-12)
    assert ((got.coverage >= 0) & (got.coverage <= 1)).all()
    filled = got.count > 0
    assert ((got.mean[filled] >= got.minimum[filled]) & (got.mean[filled] <= got.maximum[filled])).all()


@settings(max_examples=100, deadline=None)
@given(at_ms=RISING, span=st.tuples(st.integers(0, 10**8), st.integers(1, 10**8)))
def test_gaps_are_what_coverage_leaves(at_ms, span) -> None:
    """Gaps rise, do not touch, and their length is exactly what coverage says is not covered."""
    from_ms, to_ms = span[0], span[0] + span[1]
    vouched = coverage.vouched_ms(at_ms)
    found = coverage.gaps(at_ms, vouched, from_ms, to_ms)
    assert all(gap.from_ms < gap.to_ms for gap in found)
    assert all(one.to_ms < other.from_ms for one, other in itertools.pairwise(found))
    missing = sum(gap.to_ms - gap.from_ms for gap in found)
    share = coverage.vouched_share(at_ms, vouched, np.array([from_ms, to_ms]))[0]
    assert missing == pytest.approx((1 - share) * (to_ms - from_ms), abs=0.01)


def test_what_is_a_gap_does_not_depend_on_the_stretch_asked_for(store, put) -> None:
    """A day looked at whole and looked at hour by hour has the same coverage, through changes of pace and losses."""
    rng = np.random.default_rng(7)
    pace = np.concatenate([np.full(200, MINUTE), np.full(60, 10 * MINUTE), np.full(300, 20_000)])
    steps = pace + rng.integers(-2_000, 2_000, len(pace))
    steps[rng.integers(0, len(steps), 25)] += 40 * MINUTE
    at_ms = np.cumsum(steps)
    put(at_ms, rng.normal(20, 1, len(at_ms)))
    edges = np.arange(0, int(at_ms[-1]) + 3 * HOUR, HOUR)
    whole = store.read.buckets(KEY, edges)
    for index in range(len(edges) - 1):
        alone = store.read.buckets(KEY, edges[index : index + 2])
        assert alone.coverage[0] == whole.coverage[index]
        assert alone.count[0] == whole.count[index]
    assert ((whole.coverage > 0.0) & (whole.coverage < 0.9)).any()  # the losses show
    gaps = store.read.gaps(KEY, int(edges[0]), int(edges[-1]))
    missing = sum(gap.to_ms - gap.from_ms for gap in gaps)
    assert missing == pytest.approx((1 - whole.coverage).sum() * HOUR, abs=1)


def test_a_gap_stays_a_gap(store, put) -> None:
    """A sensor that fell silent for six hours has empty buckets there: no count, NaN, no coverage, and a gap."""
    at_ms = np.concatenate([np.arange(0, 3 * HOUR, MINUTE), np.arange(9 * HOUR, 12 * HOUR, MINUTE)])
    put(at_ms, np.full(len(at_ms), 20.0))
    held = store.read.buckets(KEY, np.arange(0, 13 * HOUR, HOUR))
    assert held.count.tolist() == [60] * 3 + [0] * 6 + [60] * 3
    assert np.isnan(held.mean[3:9]).all()
    # The last reading before the silence, at 2:59, covers three minutes: two of them in the next hour.
    assert held.coverage.tolist() == pytest.approx([1, 1, 1, 2 / 60, 0, 0, 0, 0, 0, 1, 1, 1])
    assert store.read.gaps(KEY, 0, 12 * HOUR) == [Span(3 * HOUR + 2 * MINUTE, 9 * HOUR)]


def test_a_slower_pace_is_no_gap(store, put) -> None:
    """A sensor set from one minute to ten is covered throughout."""
    at_ms = np.concatenate([np.arange(0, HOUR, MINUTE), np.arange(HOUR, 5 * HOUR, 10 * MINUTE)])
    put(at_ms, np.full(len(at_ms), 20.0))
    assert store.read.gaps(KEY, 0, 5 * HOUR) == []


def test_a_lone_reading_vouches_for_half_an_hour(store, put) -> None:
    """Where no interval is known, coverage is the documented half hour."""
    put([HOUR], [20.0])
    assert store.read.gaps(KEY, 0, 2 * HOUR) == [Span(0, HOUR), Span(HOUR + 30 * MINUTE, 2 * HOUR)]


def test_equal_values_have_exactly_that_mean(store, put) -> None:
    """The mean of a thousand times 0.1 is 0.1, though their sum is not 100."""
    assert sum([0.1] * 1000) != 100.0
    put(np.arange(1000), np.full(1000, 0.1))
    assert store.read.buckets(KEY, np.array([0, 1000])).mean.tolist() == [0.1]


@pytest.mark.parametrize("edges", [[], [5], [5, 5], [5, 4], [[1, 2], [3, 4]]])
def test_edges_that_do_not_rise_are_refused(store, edges) -> None:
    """Bucket edges must be at least two strictly rising instants, also for an unknown series."""
    with pytest.raises(ValueError, match="strictly rising"):
        store.read.buckets(KEY, np.array(edges, dtype=np.int64))


def test_a_change_of_summer_time_changes_nothing(store, put) -> None:
    """Days of a zone that changes its clocks have 23 and 25 hours of minutes, each minute once, all covered."""
    zone = ZoneInfo("Europe/Berlin")  # changed its clocks on 2025-03-30 and 2025-10-26 (tz database)
    for first, minutes in (
        (datetime(2025, 3, 29, tzinfo=zone), 23 * 60),
        (datetime(2025, 10, 25, tzinfo=zone), 25 * 60),
    ):
        edges = np.array([int((first + timedelta(days=n)).timestamp()) * 1000 for n in range(4)])
        at_ms = np.arange(edges[0], edges[-1], MINUTE)
        put(at_ms, np.arange(len(at_ms), dtype=np.float64))
        held = store.read.buckets(KEY, edges)
        assert held.count.tolist() == [24 * 60, minutes, 24 * 60]
        assert held.coverage.tolist() == [1.0, 1.0, 1.0]


def many_sensors(store, rng) -> list[SeriesKey]:
    """Seven sensors over three chunks each, with losses, outages, one that began late and one that fell silent."""
    keys = []
    for number in range(7):
        nominal = np.arange(9 * 1440) * MINUTE
        kept = rng.random(len(nominal)) > 0.02
        kept[5000 : 5000 + 40 * number] = False
        kept[: 3000 * (number == 3)] = False
        kept[12_000 if number == 5 else len(kept) :] = False
        at_ms = nominal[kept] + rng.integers(0, 900, kept.sum())
        for quantity in ("temperature_c", "rh_percent")[: 1 + (number != 6)]:
            keys.append(SeriesKey(f"s{number}", quantity))
            value = np.round(rng.normal(20, 3, len(at_ms)), 2)
            batch = ReadingBatch(
                tuple(keys[-1:]), np.zeros(len(at_ms), np.int32), at_ms, value, np.zeros(len(at_ms), np.bool_)
            )
            with store.transaction() as work:
                work.append(batch, heard_ms=1)
    return keys


def live(keys: list[SeriesKey], at_ms: np.ndarray, rng) -> ReadingBatch:
    """Readings of all sensors at these instants."""
    index = np.repeat(np.arange(len(keys), dtype=np.int32), len(at_ms))
    value = np.round(rng.normal(20, 3, len(index)), 2)
    return ReadingBatch(tuple(keys), index, np.tile(at_ms, len(keys)), value, np.zeros(len(index), np.bool_))


@pytest.mark.parametrize("staged", ["nothing", "newest", "late", "again", "far beyond"])
def test_buckets_of_many_are_those_of_each(store, staged) -> None:
    """Few and many readings in a bucket, empty ones, over the cut of two chunks, with and without staged readings."""
    rng = np.random.default_rng(7)
    keys = many_sensors(store, rng)
    store.settle()
    new = {
        "nothing": [],
        "newest": [9 * 24 * HOUR + np.arange(i * 30, i * 30 + 30) * MINUTE for i in range(3)],
        "late": [3 * 24 * HOUR + np.arange(40) * 7_001, 9 * 24 * HOUR + np.arange(5) * MINUTE],
        "again": [9 * 24 * HOUR + np.arange(30) * MINUTE] * 2,
        "far beyond": [500 * 24 * HOUR + np.arange(30) * MINUTE],
    }[staged]
    for at_ms in new:
        with store.transaction() as work:
            work.append(live(keys, at_ms, rng), heard_ms=1)
    asked = [*keys, SeriesKey("s1", "dew_point_c"), SeriesKey("s9", "temperature_c")]
    for first, last in ((3.2, 4.3), (7.5, 9.1), (0.0, 0.4), (3.0, 4.0), (8.9, 9.4), (499.9, 500.1)):
        for width in (5 * MINUTE, 50 * MINUTE, 2 * MINUTE + 17):
            edges = np.arange(int(first * 24 * HOUR), int(last * 24 * HOUR), width)
            together = store.read.buckets_of(asked, edges)
            for key in asked:
                alone = store.read.buckets(key, edges)
                for column in ("count", "minimum", "maximum"):
                    np.testing.assert_array_equal(getattr(together[key], column), getattr(alone, column), column)
                for column in ("mean", "coverage"):
                    np.testing.assert_allclose(getattr(together[key], column), getattr(alone, column), rtol=1e-12)


def random_instants(rng, from_ms: int, days: float, pace: int) -> np.ndarray:
    """A sensor's instants with jitter, losses and outages."""
    nominal = from_ms + np.arange(int(days * DAY / pace)) * pace
    at_ms = (nominal + rng.integers(0, pace // 3, len(nominal)))[
        rng.random(len(nominal)) > rng.choice([0.0, 0.02, 0.3])
    ]
    for _ in range(rng.integers(0, 4)):
        begin = from_ms + int(rng.integers(0, int(days * DAY)))
        at_ms = at_ms[(at_ms < begin) | (at_ms > begin + rng.choice([MINUTE, 10 * MINUTE, HOUR, DAY]))]
    return at_ms


class Grown:
    """A store that is filled at random, sealed in part, and asked for all that it was given."""

    def __init__(self, store, seed: int) -> None:
        self.store, self.rng = store, np.random.default_rng(seed)
        self.keys = [SeriesKey(f"s{n}", quantity) for n in range(4) for quantity in ("temperature_c", "rh_percent")]
        self.given: dict[SeriesKey, dict[int, float]] = {key: {} for key in self.keys}
        self.begin = int(self.rng.integers(0, 20_000)) * DAY
        self.tip = self.begin + int(self.rng.choice([1.5, 6.0])) * DAY
        for number in range(4):
            pace = int(self.rng.choice([20_000, MINUTE, 5 * MINUTE, 10 * MINUTE]))
            self.put(number, random_instants(self.rng, self.begin, (self.tip - self.begin) / DAY, pace))

    def put(self, sensor: int, at_ms: np.ndarray) -> None:
        """Store readings of both quantities, as a rule at the same instants."""
        for key, later in zip(self.keys[2 * sensor : 2 * sensor + 2], (0, int(self.rng.random() < 0.2)), strict=True):
            one = live([key], at_ms + later, self.rng)
            with self.store.transaction() as work:
                work.append(one, heard_ms=1)
            self.given[key].update(zip(one.at_ms.tolist(), one.value.tolist(), strict=True))

    def go_on(self) -> None:
        """Some new readings, now and then some late ones, and some steps of sealing."""
        minutes = int(self.rng.integers(1, 200))
        for sensor in range(4):
            self.put(sensor, self.tip + np.unique(self.rng.integers(0, minutes * MINUTE, minutes)))
        self.tip += minutes * MINUTE
        if self.rng.random() < 0.3:
            self.put(0, np.unique(self.rng.integers(self.begin, self.tip, 20)))
        for _ in range(self.rng.integers(0, 4)):
            self.store.settle_step()

    def ask(self) -> None:
        """A random stretch in round buckets: exactly what all readings of each series say."""
        width = int(self.rng.choice([MINUTE, 5 * MINUTE, 30 * MINUTE]))
        first = int(
            self.rng.choice([self.rng.integers(self.begin - DAY, self.tip), self.begin + 4 * DAY, self.tip - DAY])
        )
        first = first // HOUR * HOUR
        edges = np.arange(first, first + int(self.rng.choice([2 * HOUR, DAY, 2 * DAY])) + 1, width)
        for key, got in self.store.read.buckets_of(self.keys, edges).items():
            at_ms = np.array(sorted(self.given[key]), dtype=np.int64)
            samples = Series(at_ms, np.array([self.given[key][at] for at in at_ms.tolist()]))
            true = bucketing.bucket(samples, coverage.vouched_ms(at_ms), edges)
            for column in ("count", "minimum", "maximum", "coverage"):
                np.testing.assert_array_equal(getattr(got, column), getattr(true, column), f"{column} of {key}")
            np.testing.assert_allclose(got.mean, true.mean, rtol=1e-12)


@pytest.fixture
def small_steps() -> Iterator[None]:
    """Seal a sensor at a time, so that some sensors are sealed and others are not."""
    usual, settling.SEALED_AT_ONCE = settling.SEALED_AT_ONCE, 30
    yield
    settling.SEALED_AT_ONCE = usual


@pytest.mark.parametrize("seed", range(6))
def test_round_buckets_of_many_are_what_all_readings_say(path, seed, small_steps) -> None:
    """Whatever was lost, came late, is sealed or not: counts, extremes and coverage are exact."""
    with SqliteStore.open(path) as store:
        grown = Grown(store, seed)
        if seed % 3:
            store.settle()
        for _ in range(5):
            grown.ask()
            grown.ask()
            grown.go_on()
        assert any(name[0] == "cells" for name in store._memory.unpacked._held) or seed % 3 == 0


def test_a_snapshot_keeps_its_staged_readings_while_others_are_sealed(store, put) -> None:
    """What is sealed and forgotten after a snapshot was taken is still staged for it, and read once."""
    put(np.arange(10) * MINUTE, np.arange(10.0))
    with store._snapshot() as connection:
        before = store._memory.view(connection)
        store.settle()
        assert len(store.read.read(KEY, 0, HOUR)) == 10
        np.testing.assert_array_equal(rows.between(before, 1, 0, HOUR).value, np.arange(10.0))
