"""What came in comes out: bit for bit, every millisecond, whatever the order and however often."""

import itertools
import math
import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.contract import Reading, Stamp
from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.integrity import check_integrity
from ingest.store.sqlite_store import SqliteStore

FINITE = st.floats(allow_nan=False, allow_infinity=False, width=64)
INSTANTS = st.one_of(st.integers(0, 50), st.integers(-(2**53) + 1, 2**53 - 1))
READINGS = st.builds(
    Reading,
    sensor=st.sampled_from(["attic", "cellar/floor", "a" * 120]),
    quantity=st.sampled_from(["temperature_c", "rh_percent", "battery_percent"]),
    value=st.one_of(FINITE, st.sampled_from([0.0, -0.0, 5e-324, 20.1, 1e308])),
    at_ms=INSTANTS,
    stamp=st.sampled_from(Stamp),
)
BATCHES = st.lists(st.lists(READINGS, max_size=30), min_size=1, max_size=4)


def bits(value: float) -> int:
    """Give a float64's bits."""
    return int(np.float64(value).view(np.int64))


def model_of(batches: list[list[Reading]]) -> tuple[dict[tuple[str, str, int], float], list[tuple[int, int, int]]]:
    """Do in plain dictionaries what the store promises: what must be there, and the counts of each batch."""
    held: dict[tuple[str, str, int], float] = {}
    counts = []
    for readings in batches:
        before = dict(held)
        held |= {(r.sensor, r.quantity, r.at_ms): r.value for r in readings}
        stored = repeated = amended = 0
        for name in {(r.sensor, r.quantity, r.at_ms) for r in readings}:
            said = [r.value for r in readings if (r.sensor, r.quantity, r.at_ms) == name]
            # A reading is held against the one before it in the batch, and the last one against what was there.
            changes = [bits(earlier) != bits(later) for earlier, later in itertools.pairwise(said)]
            changes += [bits(before[name]) != bits(said[-1])] if name in before else []
            stored += name not in before
            amended += sum(changes)
            repeated += len(changes) - sum(changes)
        counts.append((stored, repeated, amended))
    return held, counts


@settings(max_examples=40, deadline=None)
@given(batches=BATCHES)
def test_any_batches_come_out_as_the_plain_model_says(batches: list[list[Reading]]) -> None:
    """Random batches, late, repeated and contradicting, give the values, counts and newest samples of a plain dict."""
    expected, counts = model_of(batches)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "store.sqlite3"
        with SqliteStore.open(path) as store:
            for readings, count in zip(batches, counts, strict=True):
                with store.transaction() as work:
                    assert work.append(ReadingBatch.of(readings), heard_ms=1)[:3] == count
        with SqliteStore.open(path, read_only=True) as store:
            for key in {SeriesKey(r.sensor, r.quantity) for readings in batches for r in readings}:
                series = store.read.read(key, -(2**53), 2**53)
                wanted = sorted((at, value) for (*name, at), value in expected.items() if tuple(name) == key)
                assert series.at_ms.tolist() == [at for at, _ in wanted]
                assert [bits(v) for v in series.value] == [bits(v) for _, v in wanted]
                assert series.at_ms.dtype == np.int64
                assert series.value.dtype == np.float64
                newest = store.read.latest([key])[key]
                assert (newest.at_ms, bits(newest.value)) == (wanted[-1][0], bits(wanted[-1][1]))
        assert check_integrity(path) == []


def test_minus_zero_keeps_its_sign(store, put) -> None:
    """A REAL column of SQLite would give 0.0 back for -0.0: ours does not."""
    put([1], [-0.0])
    key = SeriesKey("attic", "temperature_c")
    assert math.copysign(1.0, store.read.read(key, 0, 2).value[0]) == -1.0
    assert math.copysign(1.0, store.read.latest([key])[key].value) == -1.0


def test_whose_clock_a_reading_has_is_kept(store, path) -> None:
    """The mark that an instant is that of arrival is in the file, for each reading."""
    readings = [
        Reading("attic", "temperature_c", 20.0, 1, Stamp.SENSOR),
        Reading("attic", "temperature_c", 21.0, 2, Stamp.ARRIVAL),
    ]
    with store.transaction() as work:
        work.append(ReadingBatch.of(readings), heard_ms=2)
        rows = work._connection.execute("SELECT at_ms, arrival FROM reading ORDER BY at_ms").fetchall()
    assert rows == [(1, 0), (2, 1)]
