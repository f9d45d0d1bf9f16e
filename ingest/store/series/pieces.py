"""Long columns packed piece by piece: the bytes that `packing` gives for each piece, worked out for all at once. Pure.

A chunk holds a few thousand readings, for which the fixed cost of a step is as much as its work. Here each step is
taken once for all chunks of a series. What is unusual (another pace in every piece, values that are not hundredths) is
left to `packing`, piece by piece.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Floats, Int64s
from ingest.store.series import packing
from ingest.store.series.packing import Packed

_SMALL: Final = 2**30  # numbers up to this, and differences of two of them folded, are worked on in 32 bits
_FEWEST: Final = 2  # pieces for which it is worth it


def pack_values(values: Floats, cuts: Sequence[int]) -> list[Packed]:
    """Pack the pieces of finite float64 values.  cuts: where each begins, and the end; no piece is empty."""
    whole = _hundredths(values) if len(cuts) > _FEWEST else None
    if whole is None:
        return [packing.pack_values(values[begin:end]) for begin, end in itertools.pairwise(cuts)]
    planes = _Planes(_steps(whole), cuts)
    packed = []
    for number, (begin, end) in enumerate(itertools.pairwise(cuts)):
        size, data = planes.of(number, begin + 1, end)
        first = int(whole[begin]) if size else int(values[begin].view(np.int64))
        packed.append(Packed(packing.header_of_hundredths(size, first), data))
    return packed


def _hundredths(values: Floats) -> NDArray[np.int32] | None:
    """Give the whole numbers q with value == q / 100, bit for bit; None where there are no such, or not small ones."""
    lowest, highest = float(values.min()), float(values.max())
    if not -_SMALL < 100.0 * lowest <= 100.0 * highest < _SMALL:
        return None
    first = values[:8] * 100.0
    if bool((np.abs(first - np.rint(first)) > 1e-3).any()):
        return None
    scaled = values * 100.0
    np.rint(scaled, out=scaled)
    if bool(((scaled / 100.0).view(np.int64) != values.view(np.int64)).any()):
        return None
    if lowest <= 0.0 <= highest and bool(np.signbit(values[values == 0.0]).any()):
        return None  # minus zero is no whole number
    return scaled.astype(np.int32)


def pack_instants(at_ms: Int64s, cuts: Sequence[int]) -> list[Packed]:
    """Pack the pieces of strictly rising int64 instants.  cuts: where each begins, and the end; no piece is empty."""
    spans = list(itertools.pairwise(cuts))
    grid = _one_grid(at_ms, spans)
    if grid == 0:
        return [packing.pack_instants(at_ms[begin:end]) for begin, end in spans]
    begins = np.array(cuts[:-1])
    index, bases = _relative(at_ms, spans, grid)
    offset = index.copy()
    index //= grid
    offset -= index * grid
    offset -= grid // 2
    beside = _steps(at_ms)
    beside -= grid
    beside[begins] = 0
    worse = np.add.reduceat(np.abs(offset), begins) > np.add.reduceat(np.abs(beside), begins)
    steps = _steps(index)
    steps -= 1
    of_steps, of_offsets = _Planes(steps.astype(np.int32), cuts), _Planes(offset.astype(np.int32), cuts, whole=True)
    packed = []
    for number, (begin, end) in enumerate(spans):
        if worse[number]:
            packed.append(packing.pack_instants(at_ms[begin:end]))
            continue
        step_size, step_data = of_steps.of(number, begin + 1, end)
        offset_size, offset_data = of_offsets.of(number, begin, end)
        base = bases[number] + int(index[begin]) * grid
        packed.append(Packed(packing.header_of_grid(step_size, offset_size, base, grid), step_data + offset_data))
    return packed


def _one_grid(at_ms: Int64s, spans: Sequence[tuple[int, int]]) -> int:
    """Give the grid that all pieces have, or 0 where they differ, or the numbers are too large for the quick way."""
    if len(spans) < _FEWEST or any(end - begin < 2 for begin, end in spans):
        return 0
    steps = _steps(at_ms)
    grids = {packing.grid_of(steps[begin + 1 : end]) for begin, end in spans}
    longest = max(int(at_ms[end - 1] - at_ms[begin]) for begin, end in spans)
    grid = grids.pop()
    return 0 if grids or grid >= _SMALL or longest // grid >= _SMALL else grid


def _relative(at_ms: Int64s, spans: Sequence[tuple[int, int]], grid: int) -> tuple[Int64s, list[int]]:
    """Give each instant less its piece's base and half a grid, and the bases."""
    relative = np.empty_like(at_ms)
    bases = []
    for begin, end in spans:
        base = packing.base_of(at_ms[begin:end], grid)
        np.subtract(at_ms[begin:end], base - grid // 2, out=relative[begin:end])
        bases.append(base)
    return relative, bases


_Whole = TypeVar("_Whole", NDArray[np.int32], Int64s)


def _steps(numbers: _Whole) -> _Whole:
    """Give each number less the one before it; 0 for the first."""
    steps = np.empty_like(numbers)
    np.subtract(numbers[1:], numbers[:-1], out=steps[1:])
    steps[0] = 0
    return steps


class _Planes:
    """The byte planes of a column of folded numbers, cut into pieces; each made when it is first wanted."""

    def __init__(self, numbers: NDArray[np.int32], cuts: Sequence[int], *, whole: bool = False) -> None:
        """Fold the numbers.  whole: the first of each piece counts too."""
        begins = np.array(cuts[:-1])
        folded = numbers << 1
        numbers >>= 31
        folded ^= numbers
        if not whole:
            folded[begins] = 0
        self._folded = folded.view(np.uint32)
        self._largest = np.maximum.reduceat(self._folded, begins).tolist()
        self._made: list[NDArray[np.uint8]] = []

    def of(self, number: int, begin: int, end: int) -> tuple[int, bytes]:
        """Give how many planes a piece needs, and the planes of begin..end, which lie in it."""
        size = (int(self._largest[number]).bit_length() + 7) // 8
        while len(self._made) < size:
            self._made.append((self._folded >> np.uint32(8 * len(self._made))).astype(np.uint8))
        return size, b"".join(plane[begin:end].tobytes() for plane in self._made[:size])
