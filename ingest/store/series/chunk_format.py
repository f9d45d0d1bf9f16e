"""A chunk: one sensor's readings of one stretch of time, all its quantities, as bytes with checksums. Pure.

FORMAT.md describes the bytes. Quantities that were read at the same instants share one column of instants. A series can
be replaced without touching the others' bytes, and a flipped bit in one column leaves the others readable: the
directory has a checksum of its own and holds one of each column's frame.
"""

from __future__ import annotations

import itertools
import struct
import zlib
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.series import Floats, Int64s
from ingest.store.series import packing, pieces, squeeze
from ingest.store.series.packing import Packed
from ingest.store.series.squeeze import Damaged

VERSION: Final = 1
_HEAD: Final = struct.Struct("<BqqHH")  # version, from_ms, to_ms, columns of instants, series
_INSTANTS: Final = struct.Struct("<Iqq19sII")  # count, first, last, header of packing, bytes of the frame, its check
_SERIES: Final = struct.Struct("<IHB11sII")  # series id, index of its instants, arrival, header, bytes, check
_CHECK: Final = struct.Struct("<I")
_NONE, _ALL, _SOME = 0, 1, 2  # which readings bear an instant of arrival


class Column(NamedTuple):
    """One series' readings.  at_ms: int64 (n,), strictly rising.  value: float64 (n,).  arrival: bool (n,)."""

    at_ms: Int64s
    value: Floats
    arrival: NDArray[np.bool_]


class Instants(NamedTuple):
    """A packed and squeezed column of instants.  length: how many."""

    length: int
    first_ms: int
    last_ms: int
    header: bytes
    check: int
    frame: bytes


class Part(NamedTuple):
    """A packed and squeezed series."""

    instants: Instants
    arrival: int
    header: bytes
    check: int
    frame: bytes


class Chunk(NamedTuple):
    """What a chunk holds, still squeezed.  from_ms, to_ms: its stretch, instants lie in from_ms <= t < to_ms."""

    from_ms: int
    to_ms: int
    parts: Mapping[int, Part]


def seal(columns: Mapping[int, Column]) -> dict[int, Part]:
    """Pack and squeeze columns, by series id; none empty."""
    parts: dict[int, Part] = {}
    done: list[tuple[Int64s, Instants]] = []
    for series_id, column in columns.items():
        instants = next((made for at_ms, made in done if np.array_equal(at_ms, column.at_ms)), None)
        if instants is None:
            instants = _squeezed_instants(packing.pack_instants(column.at_ms), column.at_ms)
            done.append((column.at_ms, instants))
        parts[series_id] = _squeezed_values(packing.pack_values(column.value), column.arrival, instants)
    return parts


def seal_in_pieces(columns: Mapping[int, Column], bounds: Sequence[tuple[int, int]]) -> list[dict[int, Part]]:
    """Pack and squeeze long columns, by series id, cut by time, all pieces of a column at once.

    bounds: from_ms, to_ms of each piece, rising, none overlapping; together they hold every reading of the columns.
    Gives for each piece what `seal` would give: the parts of the series that have readings in it.
    """
    begins = np.array([begin for begin, _ in bounds])
    sealed: list[dict[int, Part]] = [{} for _ in bounds]
    done: list[tuple[Int64s, list[int], list[Instants]]] = []
    for series_id, column in columns.items():
        found = next(((cuts, made) for at_ms, cuts, made in done if np.array_equal(at_ms, column.at_ms)), None)
        cuts, made = found or _instants_in_pieces(column.at_ms, begins)
        if found is None:
            done.append((column.at_ms, cuts, made))
        filled = [number for number in range(len(bounds)) if cuts[number] < cuts[number + 1]]
        distinct = [cuts[number] for number in filled] + cuts[-1:]
        arrival = bool(column.arrival.any())
        for number, instants, packed in zip(filled, made, pieces.pack_values(column.value, distinct), strict=True):
            marks = column.arrival[cuts[number] : cuts[number + 1]] if arrival else _NO_MARKS
            sealed[number][series_id] = _squeezed_values(packed, marks, instants)
    return sealed


def _instants_in_pieces(at_ms: Int64s, begins: Int64s) -> tuple[list[int], list[Instants]]:
    """Give where the pieces begin, and the end, and the sealed instants of those that are not empty."""
    cuts = [*at_ms.searchsorted(begins).tolist(), len(at_ms)]
    filled = [(begin, end) for begin, end in itertools.pairwise(cuts) if begin < end]
    packed = pieces.pack_instants(at_ms, [filled[0][0], *(end for _, end in filled)])
    return cuts, [_squeezed_instants(one, at_ms[slice(*span)]) for one, span in zip(packed, filled, strict=True)]


def unseal(part: Part) -> Column:
    """Give the readings of one series. Raises Damaged."""
    at_ms = unseal_instants(part.instants)
    return Column(at_ms, *unseal_values(part))


def unseal_instants(instants: Instants) -> Int64s:
    """Unpack instants. Raises Damaged."""
    _verify(instants, "instants")
    size = packing.instants_size(instants.header, instants.length)
    planes = squeeze.decompress(instants.frame, size) if size else b""
    return packing.unpack_instants(instants.header, memoryview(planes), instants.length)


def unseal_values(part: Part) -> tuple[Floats, NDArray[np.bool_]]:
    """Unpack values and marks of arrival. Raises Damaged."""
    _verify(part, "values")
    count = part.instants.length
    values_size = packing.values_size(part.header, count)
    size = values_size + (_bitmap_bytes(count) if part.arrival == _SOME else 0)
    planes = memoryview(squeeze.decompress(part.frame, size) if size else b"")
    value = packing.unpack_values(part.header, planes, count)
    if part.arrival != _SOME:
        return value, np.full(count, part.arrival == _ALL)
    bits = np.frombuffer(planes[values_size:], np.uint8)
    return value, np.unpackbits(bits, count=count).astype(np.bool_)


def to_bytes(chunk: Chunk) -> bytes:
    """Write a chunk."""
    distinct: list[Instants] = []
    entries = []
    for series_id, part in chunk.parts.items():
        if part.instants not in distinct:
            distinct.append(part.instants)
        index = distinct.index(part.instants)
        entries.append(_SERIES.pack(series_id, index, part.arrival, part.header, len(part.frame), part.check))
    directory = b"".join((
        _HEAD.pack(VERSION, chunk.from_ms, chunk.to_ms, len(distinct), len(entries)),
        *(_INSTANTS.pack(i.length, i.first_ms, i.last_ms, i.header, len(i.frame), i.check) for i in distinct),
        *entries,
    ))  # fmt: skip
    frames = (*(i.frame for i in distinct), *(part.frame for part in chunk.parts.values()))
    return b"".join((directory, _CHECK.pack(zlib.crc32(directory)), *frames))


def from_bytes(body: bytes) -> Chunk:
    """Read a chunk's directory and cut out its frames. Raises Damaged: wrong checksum, unknown version, cut short."""
    if len(body) < _HEAD.size:
        raise Damaged("it is cut short")
    version, from_ms, to_ms, instants_count, series_count = _HEAD.unpack_from(body)
    at = _HEAD.size
    end = at + instants_count * _INSTANTS.size + series_count * _SERIES.size
    if len(body) < end + _CHECK.size or zlib.crc32(body[:end]) != _CHECK.unpack_from(body, end)[0]:
        raise Damaged("the checksum of its directory is wrong")
    if version != VERSION:
        raise Damaged(f"its format {version} is not one that this lumberroom knows")
    frames = end + _CHECK.size
    distinct = []
    for _ in range(instants_count):
        count, first_ms, last_ms, header, length, check = _INSTANTS.unpack_from(body, at)
        frame = body[frames : frames + length]
        distinct.append(Instants(count, first_ms, last_ms, header, check, frame))
        at, frames = at + _INSTANTS.size, frames + length
    parts = {}
    for _ in range(series_count):
        series_id, index, arrival, header, length, check = _SERIES.unpack_from(body, at)
        parts[series_id] = Part(distinct[index], arrival, header, check, body[frames : frames + length])
        at, frames = at + _SERIES.size, frames + length
    return Chunk(from_ms, to_ms, parts)


def sound(chunk: Chunk) -> tuple[dict[int, Part], list[str]]:
    """Give the parts whose checksums are right, and a sentence about each other one."""
    good: dict[int, Part] = {}
    faults = []
    for series_id, part in chunk.parts.items():
        try:
            _verify(part.instants, "instants")
            _verify(part, "values")
            good[series_id] = part
        except Damaged as damaged:
            faults.append(f"series {series_id}: {damaged}")
    return good, faults


def _verify(column: Instants | Part, what: str) -> None:
    if zlib.crc32(column.frame) != column.check:
        raise Damaged(f"the checksum of its {what} is wrong")


def _squeezed_instants(packed: Packed, at_ms: Int64s) -> Instants:
    frame = squeeze.compress(packed.planes) if packed.planes else b""
    return Instants(len(at_ms), int(at_ms[0]), int(at_ms[-1]), packed.header, zlib.crc32(frame), frame)


_NO_MARKS: Final = np.empty(0, np.bool_)


def _squeezed_values(packed: Packed, marks: NDArray[np.bool_], instants: Instants) -> Part:
    """Squeeze packed values.  marks: which bear an instant of arrival; empty where none does."""
    marked = int(np.count_nonzero(marks))
    arrival = _NONE if marked == 0 else _ALL if marked == len(marks) else _SOME
    planes = packed.planes + np.packbits(marks).tobytes() if arrival == _SOME else packed.planes
    frame = squeeze.compress(planes) if planes else b""
    return Part(instants, arrival, packed.header, zlib.crc32(frame), frame)


def _bitmap_bytes(count: int) -> int:
    return (count + 7) // 8
