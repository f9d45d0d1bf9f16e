"""Columns of numbers as bytes and back, bit for bit. Pure; FORMAT.md describes the bytes.

Whole numbers are made small (against a grid, or by differences), folded so that small negative ones stay small, and
written as byte planes: all lowest bytes, then all second bytes, as few planes as the largest needs. Values that are
decimal fractions, as nearly all sensors send them, are whole numbers times a power of ten; others keep their float64
bits. Nothing here compresses: the planes of one chunk are squeezed by `chunk_format`.
"""

from __future__ import annotations

import struct
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Floats, Int64s
from ingest.store.series.squeeze import Damaged

_DECIMALS: Final = (2, 1, 0, 3, 4, 5, 6)  # tried in this order: hundredths are the most usual
_TRIED_FIRST: Final = 64
_LOOKED_AT: Final = 1024  # steps from which the usual one is taken
_PLAIN: Final = 1e9
_EXACT: Final = float(2**52)
CONSTANT, DECIMAL, BITS = 0, 1, 2
GRID, DIFFERENCES = 0, 1
_VALUES: Final = struct.Struct("<BBBq")  # kind, decimals, planes, first
_INSTANTS: Final = struct.Struct("<BBBqq")  # kind, planes of steps, planes of offsets, base, grid


class Packed(NamedTuple):
    """A column: its small header (never squeezed) and its planes."""

    header: bytes
    planes: bytes


def fold(numbers: Int64s) -> NDArray[np.uint64]:
    """Give 0, -1, 1, -2 ... as 0, 1, 2, 3 ..."""
    folded: NDArray[np.uint64] = ((numbers << 1) ^ (numbers >> 63)).view(np.uint64)
    return folded


def unfold(folded: NDArray[np.uint64]) -> Int64s:
    """Undo `fold`."""
    half = (folded >> np.uint64(1)).view(np.int64)
    numbers: Int64s = half ^ -(folded & np.uint64(1)).view(np.int64)
    return numbers


def to_planes(numbers: NDArray[np.uint64]) -> tuple[int, bytes]:
    """Give how many planes the largest needs (0 where all are zero) and the planes, lowest bytes first."""
    largest = int(numbers.max()) if len(numbers) else 0
    planes = (largest.bit_length() + 7) // 8
    if planes == 0:
        return 0, b""
    if planes == 1:
        return 1, numbers.astype(np.uint8).tobytes()
    table = np.ascontiguousarray(numbers, dtype="<u8").view(np.uint8).reshape(-1, 8)
    return planes, np.ascontiguousarray(table.T[:planes]).tobytes()


def from_planes(data: memoryview, planes: int, count: int) -> NDArray[np.uint64]:
    """Undo `to_planes`. Raises Damaged when there are too few bytes."""
    if planes > 8 or len(data) < planes * count:
        raise Damaged("a column shorter than noted")
    table = np.frombuffer(data, np.uint8, planes * count).reshape(planes, count)
    if planes == 0:
        return np.zeros(count, np.uint64)
    if planes == 1:
        one: NDArray[np.uint64] = table[0].astype(np.uint64)
        return one
    wide = np.zeros((count, 8), np.uint8)
    wide[:, :planes] = table.T
    numbers: NDArray[np.uint64] = wide.view("<u8").ravel()
    return numbers


def unfolded(data: memoryview, planes: int, count: int) -> Int64s:
    """Undo `fold` and `to_planes` together, in as few bytes a number as there are planes. Raises Damaged."""
    if planes > 8 or len(data) < planes * count:
        raise Damaged("a column shorter than noted")
    if planes == 0:
        return np.zeros(count, np.int64)
    table = np.frombuffer(data, np.uint8, planes * count).reshape(planes, count)
    width = 1 << (planes - 1).bit_length()  # 1, 2, 4 or 8
    numbers: NDArray[np.unsignedinteger[Any]] = table[0].astype(f"<u{width}")
    for plane in range(1, planes):
        higher = table[plane].astype(numbers.dtype)
        higher <<= 8 * plane
        numbers |= higher
    odd = numbers & 1
    numbers >>= 1
    np.negative(odd, out=odd)
    numbers ^= odd
    return numbers.view(f"<i{width}").astype(np.int64)


def decimals_of(values: Floats) -> tuple[int, Int64s] | None:
    """Give k and the whole numbers q with value == q / 10**k, bit for bit; None where there are no such.

    values: float64 (n,), finite, n >= 1.
    """
    first = values[:8]
    if float(np.abs(first).max()) < _PLAIN:
        finest = first * 10.0 ** max(_DECIMALS)
        if bool((np.abs(finest - np.rint(finest)) > 0.01).any()):
            return None  # no fewer decimals can do what the most cannot: nearly all computed values leave here
    for decimals in _DECIMALS:
        if _whole(values[:_TRIED_FIRST], decimals) is not None and (whole := _whole(values, decimals)) is not None:
            return decimals, whole
    return None


def _whole(values: Floats, decimals: int) -> Int64s | None:
    scale = 10.0**decimals
    with np.errstate(over="ignore"):
        scaled = values * scale
    if not (max(-float(scaled.min()), float(scaled.max())) < _EXACT):
        return None
    whole = np.rint(scaled).astype(np.int64)
    same = (whole / scale).view(np.int64) == values.view(np.int64)
    return whole if bool(same.all()) else None


def pack_values(values: Floats) -> Packed:
    """Pack float64 values, finite, at least one."""
    decimal = None if values[0] == values[-1] and _constant(values) else decimals_of(values)
    if decimal is None:
        return pack_bits(values)
    decimals, whole = decimal
    planes, data = to_planes(fold(np.diff(whole)))
    return Packed(_VALUES.pack(DECIMAL, decimals, planes, int(whole[0])), data)


def pack_bits(values: Floats) -> Packed:
    """Pack float64 values, at least one, as changes of their bits, without looking for decimals."""
    bits = values.view(np.uint64)
    planes, data = to_planes(bits[1:] ^ bits[:-1])
    return Packed(_VALUES.pack(BITS if planes else CONSTANT, 0, planes, int(values.view(np.int64)[0])), data)


def _constant(values: Floats) -> bool:
    bits = values.view(np.int64)
    return bool((bits == bits[0]).all())


def values_size(header: bytes, count: int) -> int:
    """Give how many bytes the planes of a values column take."""
    return _VALUES.unpack(header)[2] * (count - 1) if count else 0


def unpack_values(header: bytes, data: memoryview, count: int) -> Floats:
    """Undo `pack_values`. Raises Damaged for what cannot be."""
    kind, decimals, planes, first = _VALUES.unpack(header)
    if kind == CONSTANT:
        return np.full(count, first, np.int64).view(np.float64)
    if kind == BITS:
        bits = np.empty(count, np.uint64)
        bits[0] = np.int64(first).view(np.uint64)
        bits[1:] = from_planes(data, planes, count - 1)
        return np.bitwise_xor.accumulate(bits).view(np.float64)
    if kind != DECIMAL or decimals > max(_DECIMALS):
        raise Damaged("a column of unknown kind")
    whole = np.empty(count, np.int64)
    whole[0] = first
    np.cumsum(unfolded(data, planes, count - 1), out=whole[1:])
    whole[1:] += first
    values: Floats = whole / 10.0**decimals
    return values


def header_of_hundredths(planes: int, first: int) -> bytes:
    """Give the header of values that are hundredths.  first: the first whole number; float64 bits where no planes."""
    return _VALUES.pack(DECIMAL if planes else CONSTANT, 2 if planes else 0, planes, first)


def header_of_grid(step_planes: int, offset_planes: int, base: int, grid: int) -> bytes:
    """Give the header of instants on a grid."""
    return _INSTANTS.pack(GRID, step_planes, offset_planes, base, grid)


def grid_of(steps: Int64s) -> int:
    """Guess the grid that a sensor reports on: its usual step, as round as steps of that length are."""
    some = steps[:: len(steps) // _LOOKED_AT + 1]
    usual = int(np.partition(some, len(some) // 2)[len(some) // 2])
    roundness = next((unit for unit in (1000, 100, 10) if usual >= 2 * unit), 1)
    return max(1, round(usual / roundness) * roundness)


def base_of(at_ms: Int64s, grid: int) -> int:
    """Give the instant of the grid near the first of these against which most lie close to it."""
    sample = at_ms[: 4 * _TRIED_FIRST]
    phases = np.sort((sample - at_ms[0] + grid // 2) % grid)
    return int(at_ms[0]) + int(phases[len(phases) // 2]) - grid // 2


def pack_instants(at_ms: Int64s) -> Packed:
    """Pack strictly rising int64 instants, at least one."""
    if len(at_ms) == 1:
        return Packed(_INSTANTS.pack(GRID, 0, 0, int(at_ms[0]), 1), b"")
    steps = np.diff(at_ms)
    grid = grid_of(steps)
    base = base_of(at_ms, grid)
    index = (at_ms - base + grid // 2) // grid
    offset = at_ms - base - index * grid
    beside = steps - grid
    if float(np.abs(offset).sum(dtype=np.float64)) > float(np.abs(beside).sum(dtype=np.float64)):
        planes, data = to_planes(fold(beside))
        return Packed(_INSTANTS.pack(DIFFERENCES, planes, 0, int(at_ms[0]), grid), data)
    base += int(index[0]) * grid
    step_planes, step_data = to_planes(fold(np.diff(index) - 1))
    offset_planes, offset_data = to_planes(fold(offset))
    return Packed(_INSTANTS.pack(GRID, step_planes, offset_planes, base, grid), step_data + offset_data)


def instants_size(header: bytes, count: int) -> int:
    """Give how many bytes the planes of an instants column take."""
    _, steps, offsets, _, _ = _INSTANTS.unpack(header)
    size: int = steps * (count - 1) + offsets * count
    return size


def unpack_instants(header: bytes, data: memoryview, count: int) -> Int64s:
    """Undo `pack_instants`. Raises Damaged for what cannot be."""
    kind, step_planes, offset_planes, base, grid = _INSTANTS.unpack(header)
    steps = np.full(count, grid, np.int64)
    if kind == DIFFERENCES:
        steps[0] = base
        steps[1:] += unfolded(data, step_planes, count - 1)
        return np.cumsum(steps)
    if kind != GRID:
        raise Damaged("a column of unknown kind")
    steps[0] = base
    if step_planes:
        steps[1:] += unfolded(data, step_planes, count - 1) * grid
    np.cumsum(steps, out=steps)
    if offset_planes:
        steps += unfolded(data[step_planes * (count - 1) :], offset_planes, count)
    return steps
