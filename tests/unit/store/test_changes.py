"""The feed of changes: everything that was stored or amended, in the order of commit, once somebody follows."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.site.series import ReadingBatch, SeriesKey
from ingest.store.file.integrity import check_integrity
from ingest.store.record.forwarding import SetAside

KEY = SeriesKey("attic", "temperature_c")


def all_changes(store, *, at_once: int = 3, after: int = 0) -> list[tuple[str, int]]:
    """Follow the feed to its end in small steps: quantity and instant of each change."""
    found = []
    while len((some := store.read.changes(after, at_once)).at_ms):
        assert not some.lost
        found += [(some.keys[k].quantity, at) for k, at in zip(some.key_index, some.at_ms.tolist(), strict=True)]
        assert some.through > after
        after = some.through
    assert after == store.read.newest_change()
    return found


@pytest.fixture
def followed(store):
    """A store whose changes somebody follows."""
    with store.transaction() as work:
        work.follow_changes("reader", through=store.read.newest_change())
    return store


def test_late_repeated_and_amended_readings_come_in_the_order_of_commit(followed, put) -> None:
    """A late reading comes last though its instant is first, a repeated one not again, an amended one once more."""
    put([3000, 4000], [20.0, 21.0])
    put([1000], [18.0])
    put([3000], [20.0])
    put([4000], [25.0])
    temperature = "temperature_c"
    assert all_changes(followed) == [(temperature, 3000), (temperature, 4000), (temperature, 1000), (temperature, 4000)]
    assert followed.read.amendments([KEY], 0, 9999) == {(KEY, 4000): 1}


def test_a_unit_that_is_rolled_back_leaves_no_note(followed, batch, put) -> None:
    """Notes are committed with their readings or not at all."""
    with pytest.raises(RuntimeError), followed.transaction() as work:  # noqa: PT012
        work.append(batch([1000], [20.0]), heard_ms=0)
        raise RuntimeError
    assert followed.read.newest_change() == 0
    put([2000], [20.0])
    assert all_changes(followed) == [("temperature_c", 2000)]


def test_what_everybody_has_taken_over_is_let_go_and_numbers_go_on(followed, put, path) -> None:
    """Changes stay until all who follow have them; numbers are never used twice; the file stays sound."""
    with followed.transaction() as work:
        work.follow_changes("another", through=0)
    put([1000], [20.0])
    put([2000], [21.0])
    middle, newest = followed.read.changes(0, 1).through, followed.read.newest_change()
    for name, through in (("reader", newest), ("another", middle)):
        with followed.transaction() as work:
            work.follow_changes(name, through=through)
    assert all_changes(followed, after=middle) == [("temperature_c", 2000)]
    with followed.transaction() as work:
        work.follow_changes("another", through=newest)
    put([3000], [22.0])
    assert followed.read.newest_change() > newest
    assert all_changes(followed, after=newest) == [("temperature_c", 3000)]
    assert check_integrity(path) == []


def test_how_far_a_forwarder_has_come_is_kept(store) -> None:
    """What is saved under a name is what is read, also by the next one that opens the file; unknown names have none."""
    assert store.read.forwarding("central") is None
    with store.transaction() as work:
        work.save_forwarding("central", {"oldest": 2})
        work.save_forwarding("central", {"oldest": 3})
    assert store.read.forwarding("central") == {"oldest": 3}


def test_what_was_refused_is_kept_and_taken_back(store) -> None:
    """Set aside with the server's words, newest refusal first; taken back when it is accepted after all."""
    assert (store.read.count_aside(), store.read.set_aside()) == (0, [])
    one = SetAside(SeriesKey("a", "rh_percent"), 1, 50.0, 0, "no", 10)
    two = SetAside(SeriesKey("b", "rh_percent"), 2, 51.0, 1, "never", 20)
    with store.transaction() as work:
        work.put_aside([one, two])
        work.put_aside([one._replace(said="still no")])
    assert store.read.set_aside() == [two, one._replace(said="still no")]
    with store.transaction() as work:
        work.take_back([two])
    assert store.read.count_aside() == 1


def test_a_fresh_import_of_old_readings_is_not_trimmed(followed, batch) -> None:
    """What goes straight into chunks is noted with when it came, not with when it was measured."""
    count, now_ms = 30_000, 1_795_600_800_000
    years_ago = ReadingBatch(
        (KEY,), np.zeros(count, np.int32), 1_000_000_000_000 + 1000 * np.arange(count), np.full(count, 20.0),
        np.zeros(count, bool),
    )  # fmt: skip
    with followed.transaction() as work:
        work.append(years_ago, heard_ms=now_ms, live=False)
    for before_ms, is_lost in ((now_ms - 86_400_000, False), (now_ms + 1, True)):
        with followed.transaction() as work:
            work.trim_changes(before_ms=before_ms)
            work.append(batch([before_ms], [20.0]), heard_ms=now_ms + 9)  # with it a round of sealing goes past it
        followed.settle()
        assert followed.read.changes(0, 1).lost == is_lost
