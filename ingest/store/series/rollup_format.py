"""A block of a rollup as bytes with a checksum. Pure; FORMAT.md describes the bytes."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable
from typing import Final

import numpy as np

from ingest.site.series import Floats
from ingest.store.series import cells, packing, squeeze
from ingest.store.series.cells import Cells
from ingest.store.series.packing import Packed
from ingest.store.series.squeeze import Damaged

VERSION: Final = 1
_HEAD: Final = struct.Struct("<BqqIIBB11s11s11s")
# version, from_ms, width_ms of a cell, cells, filled cells, planes of count, planes of vouched, headers of the values
_CHECK: Final = struct.Struct("<I")
_NO_VALUES: Final = bytes(11)


def to_bytes(from_ms: int, width_ms: int, held: Cells, pack: Callable[[Floats], Packed] = packing.pack_values) -> bytes:
    """Write cells that follow each other from `from_ms` on, at least one.  pack: packs minima, maxima and sums."""
    filled = held.readings > 0
    count_planes, count = packing.to_planes(packing.fold(np.diff(held.readings, prepend=0)))
    vouched_planes, vouched = packing.to_planes(packing.fold(width_ms - held.vouched_ms))
    values = [packing.Packed(_NO_VALUES, b"")] * 3
    if filled.any():
        values = [pack(column[filled]) for column in (held.minimum, held.maximum, held.total)]
    planes = b"".join((count, vouched, *(value.planes for value in values)))
    sizes = (len(held.readings), int(np.count_nonzero(filled)), count_planes, vouched_planes)
    head = _HEAD.pack(VERSION, from_ms, width_ms, *sizes, *(value.header for value in values))
    body = head + (squeeze.compress(planes) if planes else b"")
    return body + _CHECK.pack(zlib.crc32(body))


def from_bytes(body: bytes) -> tuple[int, int, Cells]:
    """Give from_ms, width_ms and the cells. Raises Damaged."""
    if len(body) < _HEAD.size + _CHECK.size or zlib.crc32(memoryview(body)[:-4]) != _CHECK.unpack(body[-4:])[0]:
        raise Damaged("its checksum is not that of its bytes")
    version, from_ms, width_ms, size, filled_size, count_planes, vouched_planes, *headers = _HEAD.unpack_from(body)
    if version != VERSION:
        raise Damaged(f"its format {version} is not one that this lumberroom knows")
    lengths = [count_planes * size, vouched_planes * size]
    lengths += [packing.values_size(header, filled_size) for header in headers]
    total = sum(lengths)
    planes = memoryview(squeeze.decompress(body[_HEAD.size : -4], total) if total else b"")
    ends = np.cumsum(lengths).tolist()
    parts = [planes[end - length : end] for end, length in zip(ends, lengths, strict=True)]
    held = cells.empty(size)
    held.readings[:] = np.cumsum(packing.unfolded(parts[0], count_planes, size))
    held.vouched_ms[:] = width_ms - packing.unfolded(parts[1], vouched_planes, size)
    if filled_size:
        filled = held.readings > 0
        for column, header, part in zip((held.minimum, held.maximum, held.total), headers, parts[2:], strict=True):
            column[filled] = packing.unpack_values(header, part, filled_size)
    return from_ms, width_ms, held
