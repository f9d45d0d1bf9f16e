"""The store against a plain model: any order of storing, sealing, following and reopening, the same answers.

The model is a dictionary per series and, for buckets, the definitions of bucketing.py and coverage.py applied to all
readings of it. What is asked of the store may come from staged batches, chunks or rollups: it must not show.
"""

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule, run_state_machine_as_test

from ingest.physics.derived import DERIVED
from ingest.site.series import ReadingBatch, Series, SeriesKey
from ingest.store.api import Appended
from ingest.store.file.integrity import check_integrity
from ingest.store.series import appending, bucketing, coverage, pairing
from ingest.store.sqlite_store import SqliteStore

HOUR = 3_600_000
DAY = 24 * HOUR
QUANTITIES = ("temperature_c", "rh_percent", "pressure_kpa")
SENSORS = ("attic", "cellar")
KEYS = [SeriesKey(sensor, quantity) for sensor in SENSORS for quantity in QUANTITIES]
PROBED = ("dew_point_c", "emc_percent", "humidity_ratio_g_kg")
USUAL = {"temperature_c": 20.0, "rh_percent": 45.0, "pressure_kpa": 101.0}
EVER = (-(2**53), 2**53)


class Model:
    """What must be there."""

    def __init__(self) -> None:
        self.held: dict[SeriesKey, dict[int, float]] = {key: {} for key in KEYS}
        self.amended = 0

    def series(self, key: SeriesKey) -> Series:
        """All samples of a series, measured or derived."""
        if key.quantity in DERIVED:
            temperature, humidity, pressure = (self.series(SeriesKey(key.sensor, name)) for name in QUANTITIES)
            if not len(temperature):
                return temperature
            return pairing.derive(key.quantity, temperature, humidity, pressure if len(pressure) else None, 101.325)
        table = sorted(self.held[key].items())
        return Series(
            np.array([at for at, _ in table], dtype=np.int64), np.array([value for _, value in table], dtype=np.float64)
        )

    def buckets(self, key: SeriesKey, edges: np.ndarray) -> object:
        """Buckets over all samples."""
        samples = self.series(key)
        return bucketing.bucket(samples, coverage.vouched_ms(samples.at_ms), edges)


def same_buckets(got, true, about: str) -> None:
    """Counts, extremes and coverage exactly, means to rounding."""
    np.testing.assert_array_equal(got.count, true.count, err_msg=about)
    np.testing.assert_array_equal(got.minimum, true.minimum, err_msg=about)
    np.testing.assert_array_equal(got.maximum, true.maximum, err_msg=about)
    np.testing.assert_allclose(got.mean, true.mean, rtol=1e-12, atol=1e-12, err_msg=about)
    np.testing.assert_allclose(got.coverage, true.coverage, rtol=1e-12, atol=1e-15, err_msg=about)


BEGINS = st.integers(-3, 40).map(lambda day: day * DAY)
PACES = st.sampled_from([1_000, 60_000, 61_003, 600_000, HOUR, 5 * HOUR])


class Storing(RuleBasedStateMachine):
    """Random work on a store and the model side by side."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "a.sqlite3"
        self.store = SqliteStore.open(self.path, pressure_kpa=101.325)
        self.model = Model()

    def put(self, keys: list[SeriesKey], at_ms: np.ndarray, seed: int, decimals: int) -> None:
        """Store readings of several series at the same instants, and check what became of them."""
        rng = np.random.default_rng(seed)
        columns = []
        for key in keys:
            value = np.round(USUAL[key.quantity] + rng.normal(0, 1.5, len(at_ms)), decimals)
            columns.append(value)
        key_index = np.repeat(np.arange(len(keys), dtype=np.int32), len(at_ms))
        instants, values = np.tile(at_ms, len(keys)), np.concatenate(columns)
        batch = ReadingBatch(tuple(keys), key_index, instants, values, rng.random(len(values)) < 0.1)
        stored = repeated = amended = 0
        for index, at, value in zip(key_index.tolist(), instants.tolist(), values.tolist(), strict=True):
            held = self.model.held[keys[index]]
            if at not in held:
                stored += 1
            elif held[at] == value:
                repeated += 1
            else:
                amended += 1
            held[at] = value
        with self.store.transaction() as work:
            assert work.append(batch, heard_ms=1) == Appended(stored, repeated, amended)
            for key in keys:  # seen inside the unit at once
                np.testing.assert_array_equal(work.read.read(key, *EVER).value, self.model.series(key).value)
        self.model.amended += amended

    @rule(
        begin=BEGINS,
        pace=PACES,
        count=st.integers(1, 120),
        sensor=st.sampled_from(SENSORS),
        which=st.sets(st.sampled_from(QUANTITIES), min_size=1),
        seed=st.integers(0, 99),
        decimals=st.sampled_from([1, 2, 9]),
    )
    def append(self, begin, pace, count, sensor, which, seed, decimals) -> None:
        """A run of readings anywhere, with some jitter and losses."""
        rng = np.random.default_rng(seed)
        at_ms = begin + np.arange(count) * pace + rng.integers(0, max(1, pace // 20), count)
        self.put([SeriesKey(sensor, name) for name in sorted(which)], at_ms[rng.random(count) > 0.05], seed, decimals)

    @rule(sensor=st.sampled_from(SENSORS), quantity=st.sampled_from(QUANTITIES), seed=st.integers(0, 99))
    def amend(self, sensor, quantity, seed) -> None:
        """Other values for some instants that are there."""
        held = sorted(self.model.held[SeriesKey(sensor, quantity)])
        if held:
            rng = np.random.default_rng(seed)
            self.put([SeriesKey(sensor, quantity)], np.unique(rng.choice(np.array(held), 5)), seed + 100, 3)

    @rule(begin=BEGINS, seed=st.integers(0, 99))
    def import_much(self, begin, seed) -> None:
        """A batch that goes straight into chunks, over whatever is there."""
        before = appending.BULK_READINGS
        appending.BULK_READINGS = 1_000
        try:
            at_ms = begin + np.arange(1_200) * 60_000 + np.random.default_rng(seed).integers(0, 2_000, 1_200)
            self.put([SeriesKey("attic", "temperature_c"), SeriesKey("attic", "rh_percent")], at_ms, seed, 2)
        finally:
            appending.BULK_READINGS = before

    @rule(steps=st.integers(1, 6))
    def settle_some(self, steps) -> None:
        """A few steps of the background's work."""
        for _ in range(steps):
            self.store.settle_step()

    @rule()
    def settle(self) -> None:
        """All of the background's work."""
        self.store.settle()

    @rule()
    def reopen(self) -> None:
        """Another process goes on."""
        self.store.close()
        self.store = SqliteStore.open(self.path, pressure_kpa=101.325)

    @rule()
    def fail(self) -> None:
        """A unit that fails after it wrote leaves nothing."""
        key = SeriesKey("attic", "temperature_c")
        at_ms = np.arange(-50, 50) * HOUR + 7
        batch = ReadingBatch((key,), np.zeros(100, np.int32), at_ms, np.full(100, 99.0), np.zeros(100, np.bool_))
        try:
            with self.store.transaction() as work:
                work.append(batch, heard_ms=1)
                raise ZeroDivisionError
        except ZeroDivisionError:
            pass

    @rule(
        first=st.integers(-4, 45),
        days=st.integers(1, 12),
        width=st.sampled_from([HOUR, 3 * HOUR, 8 * HOUR, DAY, 7 * HOUR + 1]),
        off=st.sampled_from([0, 0, 1, HOUR // 2]),
        sensor=st.sampled_from(SENSORS),
        quantity=st.sampled_from([*QUANTITIES, *PROBED]),
    )
    def ask(self, first, days, width, off, sensor, quantity) -> None:
        """Buckets of any series, aligned to rollups or not."""
        key = SeriesKey(sensor, quantity)
        edges = np.arange(first * DAY + off, (first + days) * DAY + off + 1, width)
        if len(edges) > 1:
            same_buckets(self.store.read.buckets(key, edges), self.model.buckets(key, edges), f"{key} {edges[:2]}")
            whole = np.array([edges[0], edges[-1]])
            same_buckets(self.store.read.buckets(key, whole), self.model.buckets(key, whole), f"{key} whole")

    @rule(first=st.integers(-4, 45), width=st.sampled_from([300_000, 7 * 60_000 + 1]))
    def ask_together(self, first, width) -> None:
        """Buckets of all series at once."""
        edges = np.arange(first * DAY, (first + 1) * DAY, width)
        for key, got in self.store.read.buckets_of(KEYS, edges).items():
            same_buckets(got, self.model.buckets(key, edges), f"{key} together")

    @invariant()
    def everything_is_there(self) -> None:
        """Samples bit for bit, extents, newest values."""
        wanted = []
        for key in KEYS:
            true, got = self.model.series(key), self.store.read.read(key, *EVER)
            np.testing.assert_array_equal(got.at_ms, true.at_ms)
            np.testing.assert_array_equal(got.value, true.value)
            if len(true):
                wanted.append((key, int(true.at_ms[0]), int(true.at_ms[-1]), len(true)))
                assert self.store.read.latest([key])[key] == (true.at_ms[-1], true.value[-1])
        assert [(e.key, e.first_ms, e.last_ms, e.count) for e in self.store.read.extents()] == sorted(wanted)

    def teardown(self) -> None:
        """At the end all is sealed, rolled up and sound."""
        self.store.settle()
        self.everything_is_there()
        for key in [*KEYS, SeriesKey("attic", "emc_percent")]:
            edges = np.arange(-4 * DAY, 60 * DAY, 8 * HOUR)
            same_buckets(self.store.read.buckets(key, edges), self.model.buckets(key, edges), f"{key} at the end")
        with self.store.transaction() as work:
            kept = work.view.connection.execute("SELECT count(*) FROM amendment").fetchone()
        assert kept == (self.model.amended,)
        self.store.close()
        assert check_integrity(self.path) == []
        self.folder.cleanup()


def test_whatever_is_done_the_answers_are_those_of_the_model() -> None:
    """Random sequences of storing, amending, importing, failing, sealing, following, reopening and asking."""
    run_state_machine_as_test(
        Storing,
        settings=settings(
            max_examples=12, stateful_step_count=14, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )


@settings(max_examples=20, deadline=None)
@given(at=st.lists(st.integers(*(-(2**53) + 1, 2**53 - 1)), min_size=1, max_size=30, unique=True))
def test_instants_far_apart_cost_nothing(at) -> None:
    """A clock that was wrong by millennia makes neither endless cells nor a fault."""
    key = SeriesKey("attic", "temperature_c")
    at_ms = np.array(sorted(at))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.sqlite3"
        with SqliteStore.open(path) as store:
            batch = ReadingBatch(
                (key,), np.zeros(len(at), np.int32), at_ms, np.full(len(at), 20.5), np.zeros(len(at), np.bool_)
            )
            with store.transaction() as work:
                work.append(batch, heard_ms=1)
            store.settle()
            np.testing.assert_array_equal(store.read.read(key, *EVER).at_ms, at_ms)
            assert store.read.buckets(key, np.array([-(2**53), 0, 2**53])).count.sum() == len(at)
        assert check_integrity(path) == []
