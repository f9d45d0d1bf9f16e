"""Columns into bytes and back: every float64 and every instant comes out bit for bit, and damage never passes."""

import contextlib
import itertools
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from ingest.store.series import cells, chunk_format, packing, pieces, rollups, squeeze
from ingest.store.series.chunk_format import Chunk, Column
from ingest.store.series.squeeze import Damaged

FINITE = st.floats(allow_nan=False, allow_infinity=False)
DECIMALS = st.tuples(st.integers(-(10**6), 10**6), st.integers(0, 6)).map(lambda pair: pair[0] / 10 ** pair[1])
VALUES = st.lists(st.one_of(FINITE, DECIMALS, st.sampled_from([0.0, -0.0, 5e-324, 1.7e308])), min_size=1, max_size=200)
INSTANTS = st.one_of(
    st.lists(st.integers(-(2**53) + 1, 2**53 - 1), min_size=1, max_size=100, unique=True),
    st.tuples(st.integers(0, 10**12), st.integers(1, 10**6), st.integers(1, 300), st.integers(0, 2**31)).map(
        lambda g: np.unique(
            g[0] + np.arange(g[2]) * g[1] + np.random.default_rng(g[3]).integers(0, g[1], g[2])
        ).tolist()
    ),
).map(lambda found: np.array(sorted(found), dtype=np.int64))


@given(values=VALUES)
def test_values_come_out_bit_for_bit(values) -> None:
    """Decimal or not, tiny, huge or minus zero."""
    column = np.array(values)
    packed = packing.pack_values(column)
    assert len(packed.planes) == packing.values_size(packed.header, len(column))
    again = packing.unpack_values(packed.header, memoryview(packed.planes), len(column))
    np.testing.assert_array_equal(again.view(np.int64), column.view(np.int64))


@given(at_ms=INSTANTS)
def test_instants_come_out_to_the_millisecond(at_ms) -> None:
    """On a grid with jitter and holes, or anywhere at all."""
    packed = packing.pack_instants(at_ms)
    assert len(packed.planes) == packing.instants_size(packed.header, len(at_ms))
    again = packing.unpack_instants(packed.header, memoryview(packed.planes), len(at_ms))
    np.testing.assert_array_equal(again, at_ms)


PIECES = st.lists(st.integers(1, 40), min_size=1, max_size=6).map(lambda found: [0, *np.cumsum(found).tolist()])
LONG_VALUES = st.one_of(
    st.integers(-3000, 3000).map(lambda low: lambda rng, size: rng.integers(low, low + 50, size) / 100),
    st.integers(0, 6).map(lambda decimals: lambda rng, size: np.round(rng.normal(0, 300, size), decimals)),
    st.sampled_from([
        lambda rng, size: np.full(size, 21.5),
        lambda rng, size: rng.choice([0.0, -0.0, 0.01], size),
        lambda rng, size: rng.choice([1e7, -1e7, 0.01], size),
        lambda rng, size: rng.choice([1e9, 5e-324, 1.7e308], size),
    ]),
)  # fmt: skip
PACES = st.tuples(st.integers(1, 10**7), st.floats(0, 1), st.floats(0, 0.3), st.booleans())


@settings(max_examples=300)
@given(cuts=PIECES, kind=LONG_VALUES, seed=st.integers(0, 2**31))
def test_values_packed_at_once_are_packed_as_one_by_one(cuts, kind, seed) -> None:
    """The same bytes for each piece, hundredths or not, with minus zero, large ones and constant pieces."""
    values = kind(np.random.default_rng(seed), cuts[-1])
    one_by_one = [packing.pack_values(values[begin:end]) for begin, end in itertools.pairwise(cuts)]
    assert pieces.pack_values(values, cuts) == one_by_one


@settings(max_examples=300)
@given(cuts=PIECES, pace=PACES, seed=st.integers(0, 2**31))
def test_instants_packed_at_once_are_packed_as_one_by_one(cuts, pace, seed) -> None:
    """The same bytes for each piece, with jitter, losses and a change of pace, on a grid or by differences."""
    rng, (step, jitter, lost, changes) = np.random.default_rng(seed), pace
    steps = rng.integers(max(1, int(step * (1 - jitter))), step + 1, cuts[-1]) * (1 + 5 * (rng.random(cuts[-1]) < lost))
    at_ms = 10**12 + np.cumsum(steps * np.where(changes & (np.arange(cuts[-1]) > cuts[-1] // 2), 7, 1))
    one_by_one = [packing.pack_instants(at_ms[begin:end]) for begin, end in itertools.pairwise(cuts)]
    assert pieces.pack_instants(at_ms, cuts) == one_by_one


@given(numbers=hnp.arrays(np.int64, st.integers(0, 50), elements=st.integers(-(2**63), 2**63 - 1)))
def test_folding_keeps_every_whole_number(numbers) -> None:
    """Folded and unfolded, in planes and out of them, to the ends of int64."""
    planes, data = packing.to_planes(packing.fold(numbers))
    np.testing.assert_array_equal(packing.unfold(packing.from_planes(memoryview(data), planes, len(numbers))), numbers)


def a_chunk(seed: int = 0) -> Chunk:
    """Three quantities, of which two were read at the same instants, marks of arrival of every kind."""
    rng = np.random.default_rng(seed)
    at_ms = np.cumsum(rng.integers(50_000, 70_000, 500))
    columns = {
        1: Column(at_ms, np.round(rng.normal(20, 1, 500), 2), np.zeros(500, np.bool_)),
        2: Column(at_ms, np.round(rng.normal(45, 3, 500), 1), rng.random(500) < 0.5),
        7: Column(at_ms[::7], rng.normal(101.3, 0.2, 72), np.ones(72, np.bool_)),
    }
    return Chunk(0, 10**8, chunk_format.seal(columns))


def test_a_chunk_comes_out_as_it_went_in() -> None:
    """Every column of every quantity; shared instants are stored once."""
    chunk = a_chunk()
    body = chunk_format.to_bytes(chunk)
    again = chunk_format.from_bytes(body)
    assert (again.from_ms, again.to_ms, list(again.parts)) == (0, 10**8, [1, 2, 7])
    for series_id, part in chunk.parts.items():
        for one, other in zip(chunk_format.unseal(part), chunk_format.unseal(again.parts[series_id]), strict=True):
            np.testing.assert_array_equal(one, other)
    assert again.parts[1].instants is again.parts[2].instants
    assert chunk_format.sound(again)[1] == []


@settings(max_examples=300)
@given(at=st.integers(0, 10**6), bit=st.integers(0, 7))
def test_no_flipped_bit_passes(at, bit) -> None:
    """Whichever bit of a chunk is flipped: it is refused, or the part with the bit in it is named."""
    body = bytearray(chunk_format.to_bytes(a_chunk()))
    body[at % len(body)] ^= 1 << bit
    with contextlib.suppress(Damaged):
        assert chunk_format.sound(chunk_format.from_bytes(bytes(body)))[1] != []


def test_a_chunk_that_is_cut_short_or_of_another_time_is_refused() -> None:
    """Nothing, a stump, and a version that is not known."""
    body = chunk_format.to_bytes(a_chunk())
    for stump in (b"", body[:10], body[:60]):
        with pytest.raises(Damaged):
            chunk_format.from_bytes(stump)
    head = 21 + 2 * 47 + 3 * 26
    newer = bytes([9]) + body[1:head]
    with pytest.raises(Damaged, match="format 9 is not one that this lumberroom knows"):
        chunk_format.from_bytes(newer + zlib.crc32(newer).to_bytes(4, "little") + body[head + 4 :])


def test_a_frame_that_lies_about_its_size_is_refused() -> None:
    """Sizes that cannot be, and frames that hold another number of bytes."""
    frame = squeeze.compress(b"abc" * 100)
    assert squeeze.decompress(frame, 300) == b"abc" * 100
    for size in (-1, 299, 2**40):
        with pytest.raises(Damaged):
            squeeze.decompress(frame, size)
    with pytest.raises(Damaged):
        squeeze.decompress(b"\x28\xb5\x2f\xfd rubbish", 10)


def test_rollup_cells_come_out_as_they_went_in() -> None:
    """Filled and empty cells, decimal sums and others, and none that is damaged passes."""
    rng = np.random.default_rng(1)
    count = rng.integers(0, 3, 100) * 20
    some = count > 0
    held = cells.Cells(
        count, *(np.where(some, column, 0.0) for column in rng.normal(20, 1, (3, 100))), rng.integers(0, 3_600_001, 100)
    )
    body = rollups.to_bytes(7 * 3_600_000, 3_600_000, held)
    from_ms, width_ms, again = rollups.from_bytes(body)
    assert (from_ms, width_ms) == (7 * 3_600_000, 3_600_000)
    for one, other in zip(held, again, strict=True):
        np.testing.assert_array_equal(one, other)
    for at in (0, 30, len(body) - 1):
        damaged = bytearray(body)
        damaged[at] ^= 1
        with pytest.raises(Damaged):
            rollups.from_bytes(bytes(damaged))


@given(values=st.lists(DECIMALS, min_size=1, max_size=60))
def test_cells_put_together_are_those_of_the_whole(values) -> None:
    """Counts, extremes and vouched time exactly, sums to the last bits, however the readings are cut."""
    from ingest.site.series import Series
    from ingest.store.series import coverage

    at_ms = np.cumsum(np.full(len(values), 61_000))
    series = Series(at_ms, np.array(values))
    vouched = coverage.vouched_ms(at_ms)
    fine = np.arange(0, int(at_ms[-1]) + 600_000, 300_000)
    parts = cells.of_samples(series, vouched, fine)
    merged = cells.put_together(parts, np.zeros(len(fine) - 1, np.int64), 1)
    whole = cells.of_samples(series, vouched, fine[[0, -1]])
    for one, other in zip(merged, whole, strict=True):
        np.testing.assert_allclose(one, other, rtol=1e-13, atol=1e-9)
