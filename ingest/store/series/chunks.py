"""The SQL of sealed chunks: finding, fetching with a memory of what was unpacked, merging new readings in.

Chunks of one sensor never overlap. Each spans one slot of a ladder of slots that nest in each other and are aligned to
1970-01-01T00:00Z, so that the chunks of one sensor's quantities end at the same instants whatever was lost between. The
slot is chosen by the pace of the sensor: a few thousand readings.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.site.series import Int64s
from ingest.store.series import chunk_format, columns
from ingest.store.series.chunk_format import Chunk, Column
from ingest.store.series.squeeze import Damaged

_HOUR: Final = 3_600_000
SLOTS_MS: Final = (_HOUR, 6 * _HOUR, 24 * _HOUR, 96 * _HOUR, 384 * _HOUR, 1536 * _HOUR)
"""Each a multiple of the one before: an hour, six, a day, four days, sixteen, sixty-four."""
READINGS: Final = 8192
"""A slot is chosen that holds at most so many readings of one series at its usual pace."""
SPLIT_READINGS: Final = 4 * READINGS  # a chunk that grew beyond this is cut into narrower slots

_SPANS: Final = """
    SELECT id, from_ms, to_ms FROM chunk
    WHERE sensor = ?1 AND from_ms <= ?3
        AND from_ms >= coalesce((SELECT max(from_ms) FROM chunk WHERE sensor = ?1 AND from_ms <= ?2), ?2)
    ORDER BY from_ms"""

# Chunks do not overlap: the first that may reach beyond an instant is the last that begins at it or before.
_FROM: Final = """
    SELECT id, from_ms, to_ms FROM chunk
    WHERE sensor = ?1
        AND from_ms >= coalesce((SELECT max(from_ms) FROM chunk WHERE sensor = ?1 AND from_ms <= ?2), ?2)
    ORDER BY from_ms"""

_SPANS_OF_MANY: Final = """
    SELECT wanted.key, chunk.id, from_ms, to_ms
    FROM json_each(?1) AS wanted CROSS JOIN chunk ON chunk.sensor = wanted.value
    WHERE from_ms <= ?3 AND from_ms >= coalesce(
        (SELECT max(from_ms) FROM chunk WHERE sensor = wanted.value AND from_ms <= ?2), ?2)
    ORDER BY wanted.key, from_ms"""

_INSERT: Final = "INSERT INTO chunk (sensor, from_ms, to_ms, body) VALUES (?, ?, ?, ?)"


class Span(NamedTuple):
    """Where a chunk lies."""

    id: int
    from_ms: int
    to_ms: int


def spans(connection: sqlite3.Connection, sensor: str, from_ms: int, to_ms: int) -> list[Span]:
    """Give the chunks of a sensor that reach into from_ms <= t < to_ms, in order of time."""
    rows = connection.execute(_SPANS, (sensor, from_ms, to_ms - 1))
    return [Span(*row) for row in rows if row[2] > from_ms]


def spans_of_many(connection: sqlite3.Connection, sensors: Sequence[str], from_ms: int, to_ms: int) -> list[list[Span]]:
    """Give what `spans` gives for each of these sensors, by one statement."""
    found: list[list[Span]] = [[] for _ in sensors]
    for number, *row in connection.execute(_SPANS_OF_MANY, (json.dumps(sensors), from_ms, to_ms - 1)):
        if row[2] > from_ms:
            found[number].append(Span(*row))
    return found


def spans_backwards(connection: sqlite3.Connection, sensor: str, before_ms: int) -> Iterator[Span]:
    """Give the chunks of a sensor that begin before an instant, the last one first."""
    rows = connection.execute(
        "SELECT id, from_ms, to_ms FROM chunk WHERE sensor = ? AND from_ms < ? ORDER BY from_ms DESC",
        (sensor, before_ms),
    )
    return (Span(*row) for row in rows)


def spans_forwards(connection: sqlite3.Connection, sensor: str, from_ms: int) -> Iterator[Span]:
    """Give the chunks of a sensor that reach beyond an instant, the first one first; each is looked up when wanted."""
    rows = connection.execute(_FROM, (sensor, from_ms))
    return (Span(*row) for row in rows if row[2] > from_ms)


def fetch(connection: sqlite3.Connection, chunk_id: int) -> Chunk:
    """Give one chunk. Raises Damaged."""
    row = connection.execute("SELECT from_ms, to_ms, body FROM chunk WHERE id = ?", (chunk_id,)).fetchone()
    if row is None:
        raise Damaged("it is not there")
    chunk = chunk_format.from_bytes(row[2])
    if (chunk.from_ms, chunk.to_ms) != row[:2]:
        raise Damaged("it is noted under another stretch than it says")
    return chunk


def slot_for(at_ms: Int64s) -> int:
    """Choose the slot for readings at this pace (ms)."""
    if len(at_ms) < 3:
        return SLOTS_MS[2]
    usual = max(1.0, float(np.median(np.diff(at_ms[:1025]))))
    return max((slot for slot in SLOTS_MS if slot / usual <= READINGS), default=SLOTS_MS[0])


def _go_on() -> None:
    """Wait for nobody."""


class Rewriting(NamedTuple):
    """What is to be done to a sensor's chunks.  gone: id of the chunk that is replaced, 0 for none.  damaged: what is
    wrong with that one, or nothing.  rows: from_ms, to_ms, body of the chunks that take its place.
    """

    gone: int
    damaged: str
    rows: list[tuple[int, int, bytes]]


def merge(connection: sqlite3.Connection, sensor: str, new: Mapping[int, Column]) -> None:
    """Merge readings of one sensor, by series id, into its chunks; where an instant is there the new word stands.

    A chunk that is damaged is set aside with its bytes (table `damaged`), and a new one takes its place.
    """
    write(connection, sensor, plan(connection, sensor, new))


def plan(
    connection: sqlite3.Connection, sensor: str, new: Mapping[int, Column], give_way: Callable[[], None] = _go_on
) -> list[Rewriting]:
    """Work out what `merge` has to write. Only reads.  give_way: called between two chunks."""
    new = {series_id: column for series_id, column in new.items() if len(column.at_ms)}
    if not new:
        return []
    near = _near(connection, sensor, new)
    if not near and (bounds := _free_slots(new)):
        sealed = chunk_format.seal_in_pieces(new, bounds)
        return [Rewriting(0, "", [_row(*bound, parts) for bound, parts in zip(bounds, sealed, strict=True)])]
    done: list[Rewriting] = []
    plain: list[tuple[int, int, bytes]] = []
    for span, pieces in list(_planned(new, near)):
        give_way()
        if span.id or _most(pieces) > SPLIT_READINGS:
            done.append(_rewritten(connection, span, pieces, give_way))
        else:
            plain.append(_row(span.from_ms, span.to_ms, chunk_format.seal(pieces)))
    return [*done, Rewriting(0, "", plain)]


def write(connection: sqlite3.Connection, sensor: str, planned: Iterable[Rewriting]) -> None:
    """Write what was worked out, the chunks being as they were then."""
    for rewriting in planned:
        if rewriting.damaged:
            set_aside(connection, rewriting.gone, rewriting.damaged)
        if rewriting.gone:
            connection.execute("DELETE FROM chunk WHERE id = ?", (rewriting.gone,))
        connection.executemany(_INSERT, ((sensor, *row) for row in rewriting.rows))


def _row(from_ms: int, to_ms: int, parts: Mapping[int, chunk_format.Part]) -> tuple[int, int, bytes]:
    return from_ms, to_ms, chunk_format.to_bytes(Chunk(from_ms, to_ms, parts))


def _most(pieces: Mapping[int, Column]) -> int:
    return max(len(column.at_ms) for column in pieces.values())


def _near(connection: sqlite3.Connection, sensor: str, new: Mapping[int, Column]) -> list[Span]:
    """Give the chunks of a sensor that new readings, or the slots they lie in, may touch."""
    first, last = columns.extent(new)
    widest = SLOTS_MS[-1]
    return spans(connection, sensor, first // widest * widest, (last // widest + 1) * widest)


def _free_slots(new: Mapping[int, Column]) -> list[tuple[int, int]]:
    """Give the slots for readings where no chunk is near; none where one would have too many readings."""
    slot = min(slot_for(column.at_ms) for column in new.values())
    begins = np.unique(np.concatenate([_slots_of(column.at_ms, slot) for column in new.values()])) * slot
    counts = [np.diff(np.append(column.at_ms.searchsorted(begins), len(column.at_ms))) for column in new.values()]
    if any(int(count.max()) > SPLIT_READINGS for count in counts):
        return []
    held = np.logical_or.reduce([count > 0 for count in counts])
    return [(begin, begin + slot) for begin in begins[held].tolist()]


def _planned(new: Mapping[int, Column], near: list[Span]) -> Iterator[tuple[Span, dict[int, Column]]]:
    """Cut columns into the chunks that are there and, where none is, into slots."""
    for span in near:
        pieces = {i: columns.between(column, span.from_ms, span.to_ms) for i, column in new.items()}
        pieces = {i: piece for i, piece in pieces.items() if len(piece.at_ms)}
        if pieces:
            yield span, pieces
    rest = {i: _outside(column, near) for i, column in new.items()} if near else dict(new)
    rest = {i: column for i, column in rest.items() if len(column.at_ms)}
    if rest:
        slot = min(slot_for(column.at_ms) for column in rest.values())
        yield from _in_slots(rest, slot, near)


def _outside(column: Column, there: list[Span]) -> Column:
    begins = np.array([span.from_ms for span in there])
    ends = np.array([span.to_ms for span in there])
    index = np.searchsorted(begins, column.at_ms, side="right") - 1
    outside = (index < 0) | (column.at_ms >= ends[np.maximum(index, 0)])
    return columns.chosen(column, outside)


def _in_slots(rest: Mapping[int, Column], slot: int, there: list[Span]) -> Iterator[tuple[Span, dict[int, Column]]]:
    begins = np.unique(np.concatenate([_slots_of(column.at_ms, slot) for column in rest.values()])) * slot
    for begin in begins.tolist():
        pieces = {i: columns.between(column, begin, begin + slot) for i, column in rest.items()}
        pieces = {i: piece for i, piece in pieces.items() if len(piece.at_ms)}
        if not pieces:
            continue
        if any(span.from_ms < begin + slot and begin < span.to_ms for span in there):
            # Narrower chunks lie in this slot: of a time when the pace was another one.
            yield from _in_slots(pieces, _narrower(slot), there)
        else:
            yield Span(0, begin, begin + slot), pieces


def _slots_of(at_ms: Int64s, slot: int) -> Int64s:
    """Give the numbers of the slots in which there may be instants."""
    first, last = int(at_ms[0]) // slot, int(at_ms[-1]) // slot
    if last - first < len(at_ms) // 64:
        return np.arange(first, last + 1)
    return np.unique(at_ms // slot)


def _narrower(slot: int) -> int:
    return max(narrow for narrow in SLOTS_MS if narrow < slot)


def _sound_part_of(connection: sqlite3.Connection, span: Span) -> tuple[Chunk, str]:
    """Give a chunk to merge into, without what is damaged in it, and what that is."""
    nothing = Chunk(span.from_ms, span.to_ms, {})
    if not span.id:
        return nothing, ""
    try:
        chunk = fetch(connection, span.id)
    except Damaged as damaged:
        return nothing, str(damaged)
    good, faults = chunk_format.sound(chunk)
    return chunk._replace(parts=good), "; ".join(faults)


def set_aside(connection: sqlite3.Connection, chunk_id: int, what: str) -> None:
    """Keep a damaged chunk's bytes in the table `damaged`."""
    connection.execute(
        "INSERT INTO damaged (sensor, from_ms, to_ms, what, body) "
        "SELECT sensor, from_ms, to_ms, ?, body FROM chunk WHERE id = ?",
        (what, chunk_id),
    )


def _rewritten(
    connection: sqlite3.Connection, span: Span, pieces: Mapping[int, Column], give_way: Callable[[], None]
) -> Rewriting:
    """Merge readings into a chunk that is there, or one that must be cut smaller."""
    kept, damaged = _sound_part_of(connection, span)
    merged = dict(pieces)
    for i in merged.keys() & kept.parts.keys():
        give_way()
        merged[i] = columns.overlaid(chunk_format.unseal(kept.parts[i]), merged[i])
    give_way()
    return Rewriting(span.id, damaged, list(_cut_to_size(kept, merged)))


def _cut_to_size(kept: Chunk, merged: Mapping[int, Column]) -> Iterator[tuple[int, int, bytes]]:
    """Give the rows for what a chunk holds now: one, or where it became too large several narrower ones."""
    wide = kept.to_ms - kept.from_ms
    if wide == SLOTS_MS[0] or _most(merged) <= SPLIT_READINGS:
        made = Chunk(kept.from_ms, kept.to_ms, {**kept.parts, **chunk_format.seal(merged)})
        yield kept.from_ms, kept.to_ms, chunk_format.to_bytes(made)
        return
    whole = {i: chunk_format.unseal(part) for i, part in kept.parts.items()} | dict(merged)
    for narrow, pieces in _in_slots(whole, _narrower(wide), []):
        yield from _cut_to_size(Chunk(narrow.from_ms, narrow.to_ms, {}), pieces)
