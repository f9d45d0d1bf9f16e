"""Appending: once is enough, another value amends, late readings land where they belong, nonsense is refused."""

import numpy as np
import pytest

from ingest.errors import InputError
from ingest.site.series import ReadingBatch, Sample, SeriesKey
from ingest.store.api import Appended, SeriesExtent

KEY = SeriesKey("attic", "temperature_c")


def test_a_batch_sent_twice_is_stored_once(store, put) -> None:
    """The second time everything counts as repeated and the file holds each reading once."""
    assert put([1, 2, 3], [20.0, 20.1, 20.2]) == Appended(3, 0, 0)
    assert put([1, 2, 3], [20.0, 20.1, 20.2]) == Appended(0, 3, 0)
    assert store.read.extents() == [SeriesExtent(KEY, 1, 3, 3)]


def test_another_value_amends_and_the_old_one_is_kept(store, put) -> None:
    """The new value is read from then on; old, new and when stand in the record of amendments."""
    put([1, 2], [20.0, 20.1])
    assert put([1, 2], [20.0, 25.0], heard_ms=99) == Appended(0, 1, 1)
    assert store.read.read(KEY, 0, 10).value.tolist() == [20.0, 25.0]
    assert store.read.latest([KEY]) == {KEY: Sample(2, 25.0)}
    with store.transaction() as work:
        kept = work._connection.execute("SELECT at_ms, old_value, new_value, amended_ms FROM amendment").fetchall()
    assert kept == [(2, 20.1, 25.0, 99)]


def test_an_amended_older_reading_leaves_the_newest_alone(store, put) -> None:
    """Amending the past does not change what is shown as now."""
    put([1, 2], [20.0, 20.1])
    put([1], [30.0])
    assert store.read.latest([KEY]) == {KEY: Sample(2, 20.1)}


def test_a_batch_that_contradicts_itself_keeps_the_last_word(store, put) -> None:
    """Of two values for one instant in one batch the later stands, and the earlier is kept as amended."""
    assert put([5, 5, 5], [20.0, 21.0, 21.0]) == Appended(1, 1, 1)
    assert store.read.read(KEY, 0, 10).value.tolist() == [21.0]
    with store.transaction() as work:
        assert work._connection.execute("SELECT old_value, new_value FROM amendment").fetchall() == [(20.0, 21.0)]


def test_late_readings_land_where_they_belong(store, put) -> None:
    """Out of order within a batch, late across batches and before the first: the series comes out in order."""
    put([30, 10], [3.0, 1.0])
    assert put([20, 5, 10], [2.0, 0.5, 1.0]) == Appended(2, 1, 0)
    series = store.read.read(KEY, 0, 100)
    assert series.at_ms.tolist() == [5, 10, 20, 30]
    assert series.value.tolist() == [0.5, 1.0, 2.0, 3.0]
    assert store.read.extents() == [SeriesExtent(KEY, 5, 30, 4)]
    assert store.read.latest([KEY]) == {KEY: Sample(30, 3.0)}


def test_many_late_readings_at_once(store, put) -> None:
    """More late readings than are looked up in one go are still each compared with what is there."""
    instants = np.arange(0, 90_000, 2)
    put(instants, instants * 0.5)
    again = np.arange(0, 90_000)
    values = again * 0.5
    values[60_000] += 1.0
    assert put(again, values) == Appended(45_000, 44_999, 1)


def test_a_range_ends_before_its_end(store, put) -> None:
    """from_ms is in, to_ms is out."""
    put([10, 20, 30], [1.0, 2.0, 3.0])
    assert store.read.read(KEY, 10, 30).at_ms.tolist() == [10, 20]


def test_an_unknown_series_is_empty(store) -> None:
    """Asking for what was never heard is no error, for measured and derived quantities alike."""
    for quantity in ("temperature_c", "emc_percent", "no_such_quantity"):
        key = SeriesKey("nobody", quantity)
        assert len(store.read.read(key, 0, 10)) == 0
        assert store.read.latest([key]) == {}
        assert store.read.gaps(key, 0, 10) == [(0, 10)]
        held = store.read.buckets(key, np.array([0, 5, 10]))
        assert held.count.tolist() == [0, 0]
        assert held.coverage.tolist() == [0.0, 0.0]
        assert np.isnan(held.mean).all()


def test_an_empty_batch_is_nothing(store, put) -> None:
    """No readings, no counts, no series."""
    assert put([], []) == Appended(0, 0, 0)
    assert store.read.extents() == []
    assert store.read.heard() == {}


def test_when_a_sensor_was_heard_is_our_clock_and_not_its_own(store, put) -> None:
    """A late or repeated reading counts as heard at arrival; an import leaves it alone."""
    put([1_000], [20.0], heard_ms=5_000)
    put([1_000], [20.0], heard_ms=6_000)
    put([500], [20.0], heard_ms=7_000, live=False)
    put([500], [20.0], heard_ms=7_000, live=False, sensor="cellar")
    assert store.read.heard() == {"attic": 6_000}


def test_our_clock_set_back_is_followed(store, put) -> None:
    """After a wrong clock in the future was put right, a sensor must be able to fall silent again."""
    put([1], [20.0], heard_ms=4_000_000_000_000)
    put([2], [20.0], heard_ms=1_700_000_000_000)
    assert store.read.heard() == {"attic": 1_700_000_000_000}


@pytest.mark.parametrize("value", [float("nan"), float("inf"), float("-inf")])
def test_what_is_no_number_is_refused_by_name(store, put, value) -> None:
    """A value that is not finite is refused, naming sensor and quantity, and takes its whole unit with it."""
    with pytest.raises(InputError, match="temperature_c of attic: a value that is not a finite number"):
        put([1, 2], [20.0, value])
    assert store.read.extents() == []


def test_an_absurd_instant_is_refused(put) -> None:
    """An instant beyond 2**53 ms is no instant."""
    with pytest.raises(InputError, match="no clock can have given"):
        put([2**53], [20.0])


def test_a_derived_quantity_cannot_be_stored(put) -> None:
    """Storing an EMC as measured would shadow the derived one: refused with the way out."""
    with pytest.raises(InputError, match="Store temperature_c and rh_percent"):
        put([1], [9.0], quantity="emc_percent")


def test_several_sensors_and_quantities_in_one_batch(store) -> None:
    """Columns of a mixed batch go to their own series."""
    keys = (SeriesKey("b", "rh_percent"), SeriesKey("a", "temperature_c"), SeriesKey("a", "rh_percent"))
    mixed = ReadingBatch(
        keys,
        np.array([2, 0, 1, 0], dtype=np.int32),
        np.array([1, 1, 1, 2], dtype=np.int64),
        np.array([40.0, 50.0, 20.0, 51.0]),
        np.zeros(4, dtype=np.bool_),
    )
    with store.transaction() as work:
        assert work.append(mixed, heard_ms=3) == Appended(4, 0, 0)
    assert [tuple(extent) for extent in ((e.key, e.count) for e in store.read.extents())] == [
        (keys[2], 1),
        (keys[1], 1),
        (keys[0], 2),
    ]
    assert store.read.latest(keys) == {keys[0]: (2, 51.0), keys[1]: (1, 20.0), keys[2]: (1, 40.0)}
    assert store.read.heard() == {"a": 3, "b": 3}
