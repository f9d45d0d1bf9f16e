"""Rollups in the file: blocks of cells per series, measured and derived alike; read, and written piece by piece.

Measured series have cells of an hour, derived ones of eight (`width_ms`). A block spans `BLOCK_CELLS` cells from a
multiple of that since 1970 and holds those from the first to the last one that is not empty. A block that is not there
holds nothing, which is true outside the stretches that are marked as stale.
"""

from __future__ import annotations

import sqlite3
import struct
import zlib
from collections.abc import Callable, Iterable
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.physics.derived import DERIVED
from ingest.site.series import Floats
from ingest.store.series import cells, packing, rows, squeeze
from ingest.store.series.cells import Cells
from ingest.store.series.packing import Packed
from ingest.store.series.squeeze import Damaged
from ingest.store.series.view import View

_HOUR: Final = 3_600_000
MEASURED_MS: Final = _HOUR
DERIVED_MS: Final = 8 * _HOUR
BLOCK_CELLS: Final = 1536


def width_ms(quantity: str) -> int:
    """Give how wide a cell of a quantity is."""
    return DERIVED_MS if quantity in DERIVED else MEASURED_MS


class Block(NamedTuple):
    """A block as it is held: its first cell's begin and the cells."""

    from_ms: int
    held: Cells


def dense(view: View, series_id: int, quantity: str, from_ms: int, to_ms: int) -> Cells:
    """Give every cell in from_ms <= t < to_ms, both multiples of the width. Raises Damaged."""
    view.give_way()
    width = width_ms(quantity)
    made = cells.empty((to_ms - from_ms) // width)
    span = width * BLOCK_CELLS
    first = from_ms // span * span
    there = dict(
        view.connection.execute(
            "SELECT from_ms, id FROM rollup WHERE series_id = ? AND quantity = ? AND from_ms >= ? AND from_ms < ?",
            (series_id, quantity, first, to_ms),
        ).fetchall()
    )
    pending = [
        begin
        for held_id, held_quantity, begin in view.pending
        if (held_id, held_quantity) == (series_id, quantity) and first <= begin < to_ms
    ]
    for begin in {*there, *pending}:
        block = view.pending.get((series_id, quantity, begin)) or _block(view, there[begin])
        low = max(from_ms, block.from_ms)
        high = min(to_ms, block.from_ms + len(block.held.readings) * width)
        if low < high:
            into = slice((low - from_ms) // width, (high - from_ms) // width)
            out_of = slice((low - block.from_ms) // width, (high - block.from_ms) // width)
            for mine, theirs in zip(made, block.held, strict=True):
                mine[into] = theirs[out_of]
    return made


def _block(view: View, row_id: int) -> Block:
    name = ("rollup", row_id)
    block: Block | None = view.unpacked.get(name) if view.unpacked is not None else None
    if block is None:
        row = view.connection.execute("SELECT body FROM rollup WHERE id = ?", (row_id,)).fetchone()
        if row is None:
            raise Damaged("it is not there")
        from_ms, _, held = from_bytes(row[0])
        block = Block(from_ms, held)
        if view.unpacked is not None:
            view.unpacked.put(name, block, 40 * len(held.readings) + 500)
    return block


def prepare(view: View, series_id: int, quantity: str, from_ms: int, new: Cells) -> None:
    """Put cells that follow each other from `from_ms` on in the place of what is there; `write` writes it then."""
    width = width_ms(quantity)
    span = width * BLOCK_CELLS
    to_ms = from_ms + len(new.readings) * width
    for begin in range(from_ms // span * span, to_ms, span):
        try:
            whole = dense(view, series_id, quantity, begin, begin + span)
        except Damaged:
            whole = cells.empty(BLOCK_CELLS)
        low, high = max(from_ms, begin), min(to_ms, begin + span)
        into = slice((low - begin) // width, (high - begin) // width)
        out_of = slice((low - from_ms) // width, (high - from_ms) // width)
        old = cells.chosen(whole, np.arange(BLOCK_CELLS))
        for mine, theirs in zip(whole, new, strict=True):
            mine[into] = theirs[out_of]
        _keep_over_lost(view, series_id, Block(begin, whole), old, width)
        view.pending[series_id, quantity, begin] = Block(begin, whole)


def lost_of(view: View, sensor: str) -> list[tuple[int, int]]:
    """Give the stretches of which rollups know more than the readings: thinned, or set aside as damaged."""
    return view.connection.execute(
        "SELECT from_ms, to_ms FROM damaged WHERE sensor = ?1 "
        "UNION SELECT from_ms, to_ms FROM thinned WHERE sensor = ?1",
        (sensor,),
    ).fetchall()


def closed(view: View, series_id: int, from_ms: int, to_ms: int) -> NDArray[np.bool_]:
    """Say of each cell of a measured series whether its rollup counts more readings than are left to read.

    from_ms, to_ms: multiples of its width.  Where the rollup is damaged nobody knows, and all count as closed.
    """
    key = view.heads.keys[series_id]
    assert key is not None  # asked for by its id
    edges = np.arange(from_ms, to_ms + MEASURED_MS, MEASURED_MS)
    try:
        held = dense(view, series_id, key.quantity, from_ms, to_ms)
    except Damaged:
        return np.ones(len(edges) - 1, np.bool_)
    left = np.diff(np.searchsorted(rows.between(view, series_id, from_ms, to_ms).at_ms, edges))
    more: NDArray[np.bool_] = held.readings > left
    return more


def _keep_over_lost(view: View, series_id: int, block: Block, old: Cells, width: int) -> None:
    """Where readings went with a damaged or thinned chunk, cells that know of more than is left stay.

    A derived cell stays as soon as one of its hours does: its readings cannot be told apart (see `thinned`).
    """
    key = view.heads.keys[series_id]
    if key is None:
        return
    end = block.from_ms + len(old.readings) * width
    for from_ms, to_ms in lost_of(view, key.sensor):
        if from_ms >= end or to_ms <= block.from_ms:
            continue
        low = max(0, (from_ms - block.from_ms) // width)
        high = min(len(old.readings), -(-(to_ms - block.from_ms) // width))
        if width == MEASURED_MS:
            stays: NDArray[np.bool_] = old.readings[low:high] > block.held.readings[low:high]
        else:
            hours = closed(view, series_id, block.from_ms + low * width, block.from_ms + high * width)
            stays = np.any(hours.reshape(-1, width // MEASURED_MS), axis=1).astype(np.bool_)
        # A reading of the hour before may have covered some minutes of an hour that holds none.
        stays |= (block.held.readings[low:high] == 0) & (old.vouched_ms[low:high] > block.held.vouched_ms[low:high])
        kept = low + np.flatnonzero(stays)
        for mine, theirs in zip(block.held, old, strict=True):
            mine[kept] = theirs[kept]


def wipe(view: View, series_id: int, quantity: str, from_ms: int, to_ms: int) -> None:
    """Empty the cells of a stretch, both ends multiples of the width, where there are any."""
    if from_ms >= to_ms:
        return
    width = width_ms(quantity)
    span = width * BLOCK_CELLS
    there = view.connection.execute(
        "SELECT from_ms FROM rollup WHERE series_id = ? AND quantity = ? AND from_ms >= ? AND from_ms < ?",
        (series_id, quantity, from_ms // span * span, to_ms),
    ).fetchall()
    for (begin,) in there:
        low, high = max(from_ms, begin), min(to_ms, begin + span)
        prepare(view, series_id, quantity, low, cells.empty((high - low) // width))


class Row(NamedTuple):
    """A block as it is to be written; body is None for one that became empty."""

    series_id: int
    quantity: str
    from_ms: int
    body: bytes | None


def packed(view: View) -> list[Row]:
    """Give all blocks that were prepared, as rows."""
    made = []
    for name, block in view.pending.items():
        view.give_way()
        made.append(Row(*name, _packed(name[1], block)))
    return made


def _packed(quantity: str, block: Block) -> bytes | None:
    whole = block.held
    filled = np.flatnonzero((whole.readings > 0) | (whole.vouched_ms > 0))
    if len(filled) == 0:
        return None
    first, last = int(filled[0]), int(filled[-1]) + 1
    width = width_ms(quantity)
    begin, held = block.from_ms + first * width, cells.chosen(whole, slice(first, last))
    # What a formula gives has no decimals to look for, but for constants.
    return to_bytes(begin, width, held, packing.pack_bits if quantity in DERIVED else packing.pack_values)


def write(connection: sqlite3.Connection, made: Iterable[Row]) -> None:
    """Write blocks in the place of those that are there."""
    rows = list(made)
    gone = [row[:3] for row in rows if row.body is None]
    connection.executemany("DELETE FROM rollup WHERE series_id = ? AND quantity = ? AND from_ms = ?", gone)
    connection.executemany(
        "INSERT OR REPLACE INTO rollup (series_id, quantity, from_ms, body) VALUES (?, ?, ?, ?)",
        [row for row in rows if row.body is not None],
    )


VERSION: Final = 1
_HEAD: Final = struct.Struct("<BqqIIBB11s11s11s")
# version, from_ms, width_ms of a cell, cells, filled cells, planes of count, planes of vouched, headers of the values
_CHECK: Final = struct.Struct("<I")
_NO_VALUES: Final = bytes(11)


def to_bytes(from_ms: int, width_ms: int, held: Cells, pack: Callable[[Floats], Packed] = packing.pack_values) -> bytes:
    """Write a block, cells that follow each other from `from_ms` on, at least one, as FORMAT.md describes it.

    pack: packs minima, maxima and sums.
    """
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
