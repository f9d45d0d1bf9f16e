"""Stored readings as columns, sealed and staged together: nothing computed."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Final, NamedTuple

import numpy as np

from ingest.site.series import Sample, Series, SeriesKey
from ingest.store.api import SeriesExtent
from ingest.store.series import chunk_format, chunks, columns
from ingest.store.series.chunk_format import Chunk, Column
from ingest.store.series.chunks import Span
from ingest.store.series.heads import NEVER
from ingest.store.series.squeeze import Damaged
from ingest.store.series.staging import ARRIVAL
from ingest.store.series.view import View


class StoredSeries(NamedTuple):
    """What is known of one series that holds at least one reading."""

    id: int
    last_ms: int
    last_value: float


def find(view: View, key: SeriesKey) -> StoredSeries | None:
    """Give what is known of a series, or None where it holds nothing."""
    series_id = view.heads.ids.get(key)
    if series_id is None or (last_ms := int(view.heads.last_ms[series_id])) == NEVER:
        return None
    return StoredSeries(series_id, last_ms, float(view.heads.last_value[series_id]))


def extents(view: View) -> list[SeriesExtent]:
    """Give every series that holds something, by sensor and quantity."""
    heads = view.heads
    table = zip(heads.first_ms.tolist(), heads.last_ms.tolist(), heads.count.tolist(), strict=True)
    held = [
        SeriesExtent(key, *numbers)
        for key, numbers in zip(heads.keys, table, strict=True)
        if key is not None and numbers[2]
    ]
    return sorted(held, key=lambda extent: extent.key)


def latest(view: View, keys: Iterable[SeriesKey]) -> dict[SeriesKey, Sample]:
    """Give the newest sample of each of these measured series; those that hold nothing are left out."""
    ids = view.heads.ids
    known = [key for key in keys if key in ids]
    which = [ids[key] for key in known]
    last_ms, value = view.heads.last_ms[which].tolist(), view.heads.last_value[which].tolist()
    return {
        key: Sample(at_ms, last)
        for key, at_ms, last in zip(known, last_ms, value, strict=True)
        if at_ms != NEVER
    }  # fmt: skip


def staged_column(view: View, series_id: int) -> Column:
    """Give what is staged of a series, each instant once, with its last word."""
    staged = view.staged(series_id)
    if len(staged.at_ms) == 0:
        return columns.NONE
    order = np.lexsort((staged.number, staged.at_ms))
    order = order[np.append(np.diff(staged.at_ms[order]) > 0, True)]
    return Column(staged.at_ms[order], staged.value[order], (staged.marks[order] & ARRIVAL) > 0)


def sealed_of(view: View, span: Span, series_id: int) -> Column:
    """Give one series' readings of one chunk; none, and it is noted, where the chunk is damaged."""
    name = ("chunk", span.id, series_id)
    column: Column | None = view.unpacked.get(name) if view.unpacked is not None else None
    if column is None:
        view.give_way()
        column = _unsealed(view, span, series_id)
        if view.unpacked is not None:
            view.unpacked.put(name, column, 9 * len(column.at_ms) + 500)
    return column


def _unsealed(view: View, span: Span, series_id: int) -> Column:
    """Unpack one series of a chunk; instants that several quantities share are unpacked and held once."""
    try:
        part = _fetched(view, span).parts.get(series_id)
        if part is None:
            return columns.NONE
        name = ("instants", span.id, part.instants[:-1])  # its check alone is none: a steady pace needs no bytes
        at_ms = view.unpacked.get(name) if view.unpacked is not None else None
        if at_ms is None:
            at_ms = chunk_format.unseal_instants(part.instants)
            if view.unpacked is not None:
                view.unpacked.put(name, at_ms, 8 * len(at_ms) + 200)
        return Column(at_ms, *chunk_format.unseal_values(part))
    except Damaged as damaged:
        view.on_damage(f"{view.key_name(series_id)}, {utc(span.from_ms)} to {utc(span.to_ms)}: {damaged}")
        return columns.NONE


def _fetched(view: View, span: Span) -> Chunk:
    """Fetch a chunk; it is held for its other series, which are mostly asked for soon."""
    name = ("body", span.id)
    chunk: Chunk | None = view.unpacked.get(name) if view.unpacked is not None else None
    if chunk is None:
        chunk = chunks.fetch(view.connection, span.id)
        if view.unpacked is not None:
            size = sum(len(part.frame) for part in chunk.parts.values())
            view.unpacked.put(name, chunk, size + size // 2 + 1000)
    return chunk


def utc(at_ms: int) -> str:
    """Write an instant for a sentence; as a number where no calendar reaches."""
    try:
        return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%Y-%m-%dT%H:%MZ")
    except (OverflowError, ValueError, OSError):
        return str(at_ms)


def between_with_marks(view: View, series_id: int, from_ms: int, to_ms: int) -> Column:
    """Give the readings with from_ms <= instant < to_ms, in order of time."""
    if from_ms >= to_ms:
        return columns.NONE
    there = chunks.spans(view.connection, _sensor(view, series_id), from_ms, to_ms)
    parts = [sealed_of(view, span, series_id) for span in there]
    for end in {0, len(parts) - 1} if parts else ():
        parts[end] = columns.between(parts[end], from_ms, to_ms)
    return columns.overlaid(columns.joined(parts), columns.between(staged_column(view, series_id), from_ms, to_ms))


def sealed_whole(view: View, series_id: int) -> Column:
    """Give all that is sealed of a series."""
    there = chunks.spans_forwards(view.connection, _sensor(view, series_id), NEVER)
    return columns.joined([column for span in there if len((column := sealed_of(view, span, series_id)).at_ms)])


def between(view: View, series_id: int, from_ms: int, to_ms: int) -> Series:
    """Give the samples with from_ms <= instant < to_ms, in order of time."""
    if view.has_staged(series_id):
        return _series(between_with_marks(view, series_id, from_ms, to_ms))
    if from_ms >= to_ms:
        return EMPTY
    there = chunks.spans(view.connection, _sensor(view, series_id), from_ms, to_ms)
    parts = [sealed_of(view, span, series_id) for span in there]
    for end in {0, len(parts) - 1} if parts else ():
        parts[end] = columns.between(parts[end], from_ms, to_ms)
    return joined(*(_series(part) for part in parts))


def last_before(view: View, series_id: int, before_ms: int, limit: int) -> Series:
    """Give the last `limit` samples with instant < before_ms, in order of time."""
    parts: list[Column] = []
    for span in chunks.spans_backwards(view.connection, _sensor(view, series_id), before_ms):
        parts.insert(0, columns.between(sealed_of(view, span, series_id), NEVER, before_ms))
        if sum(len(part.at_ms) for part in parts) >= limit:
            break
    staged = columns.between(staged_column(view, series_id), NEVER, before_ms)
    both = columns.overlaid(columns.joined(parts), staged)
    return _series(columns.chosen(both, slice(-limit, None)))


def first_from(view: View, series_id: int, from_ms: int, limit: int) -> Series:
    """Give the first `limit` samples with instant >= from_ms, in order of time."""
    parts: list[Column] = []
    for span in chunks.spans_forwards(view.connection, _sensor(view, series_id), from_ms):
        parts.append(columns.between(sealed_of(view, span, series_id), from_ms, -NEVER - 1))
        if sum(len(part.at_ms) for part in parts) >= limit:
            break
    staged = columns.between(staged_column(view, series_id), from_ms, -NEVER - 1)
    both = columns.overlaid(columns.joined(parts), staged)
    return _series(columns.chosen(both, slice(limit)))


def _sensor(view: View, series_id: int) -> str:
    key = view.heads.keys[series_id]
    if key is None:
        raise KeyError(series_id)
    return key.sensor


def _series(column: Column) -> Series:
    return Series(column.at_ms, column.value)


EMPTY: Final = Series(np.empty(0, np.int64), np.empty(0, np.float64))
"""A series without a sample."""


def joined(*parts: Series) -> Series:
    """Give one series of several that follow each other in time."""
    filled = [part for part in parts if len(part)]
    if len(filled) < 2:
        return filled[0] if filled else EMPTY
    return Series(np.concatenate([part.at_ms for part in filled]), np.concatenate([part.value for part in filled]))
