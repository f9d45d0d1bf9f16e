"""Buckets of many series at round times, put together from what is remembered of each sealed chunk.

A page that shows the last day of a hundred sensors asks for the same five-minute buckets again and again, a few more
each time. What chunks hold of them is remembered; what is staged is worked out each time, for all series at once; and
the readings themselves are looked at only where two parts meet.

Series that do not fit are left out, and answered from their readings.
"""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.site.series import Buckets, Floats, Int64s, Series, SeriesKey
from ingest.store.series import bucketing, chunks, coverage, remembered, rollups, rows
from ingest.store.series.chunks import Span
from ingest.store.series.gaps import Gaps
from ingest.store.series.remembered import BESIDE, EDGE, UNFIT, Held, Part
from ingest.store.series.view import View

Wanted = Mapping[str, Mapping[SeriesKey, int]]
"""Measured series with their ids, by sensor."""


class _Line(NamedTuple):
    """One series within the stretch.

    parts: of its chunks in order, none between them missing; those beside the stretch where they decide over coverage.
    late: what is staged after them.  is_last, is_first: it ends, or begins, with them, and that matters for coverage.
    """

    parts: list[Part]
    late: Series
    is_last: bool
    is_first: bool


_Look = Callable[[sqlite3.Connection, str, int], Iterator[Span]]
_EMPTY: Final = np.array([[0.0], [np.nan], [np.nan], [np.nan]])


class _UnfitError(Exception):
    """A series must be answered from its readings."""


def width_of(edges_ms: Int64s) -> int:
    """Give the width (ms) of buckets that can be answered here, or 0."""
    width = int(edges_ms[1] - edges_ms[0])
    is_round = rollups.MEASURED_MS % width == 0 and int(edges_ms[0]) % width == 0
    return width if is_round and bool((np.diff(edges_ms) == width).all()) else 0


def buckets_of(
    view: View, wanted: Wanted, spans: Sequence[list[Span]], staged: Mapping[int, Series | None], edges_ms: Int64s
) -> dict[SeriesKey, Buckets]:
    """Give the buckets of those series that fit.

    spans: each sensor's chunks that reach into the stretch.  staged: what is staged of those series of which something
    is, None where that is not plain.  edges_ms: such that `width_of` gives their width.
    """
    if view.unpacked is None:
        return {}
    gaps = Gaps()
    keys, lines, owners = _lines(view, wanted, spans, staged, edges_ms, gaps)
    if not lines:
        return {}
    share = gaps.shares(max(owners) + 1, edges_ms)
    table = _table(lines, owners, edges_ms)
    count = table[:, 0].astype(np.int64)
    return {
        key: Buckets(edges_ms, counted, low, mean, high, share[owner])
        for key, owner, counted, (_, low, mean, high) in zip(keys, owners, count, table, strict=True)
    }


def _lines(
    view: View,
    wanted: Wanted,
    spans: Sequence[list[Span]],
    staged: Mapping[int, Series | None],
    edges_ms: Int64s,
    gaps: Gaps,
) -> tuple[list[SeriesKey], list[_Line], list[int]]:
    """Give the series that fit, and for each a number which those that share its instants have too; note their gaps."""
    asked = (
        (span, series_id)
        for ids, those in zip(wanted.values(), spans, strict=True)
        for span in those
        for series_id in ids.values()
    )
    held = remembered.parts_of(view, asked, int(edges_ms[1] - edges_ms[0]))
    keys: list[SeriesKey] = []
    lines: list[_Line] = []
    owners: list[int] = []
    distinct = 0
    for ids, those in zip(wanted.values(), spans, strict=True):
        known: list[tuple[_Line, int]] = []
        for key, series_id in ids.items():
            try:
                line = _line(view, held, series_id, those, staged.get(series_id, rows.EMPTY), edges_ms)
            except _UnfitError:
                continue
            owner = next((owner for other, owner in known if _same_instants(line, other)), -1)
            if owner < 0:
                owner, distinct = distinct, distinct + 1
                known.append((line, owner))
                _note_gaps(gaps, owner, line)
            keys.append(key)
            lines.append(line)
            owners.append(owner)
    return keys, lines, owners


def _line(view: View, held: Held, series_id: int, spans: list[Span], late: Series | None, edges_ms: Int64s) -> _Line:
    """Put together what one series has in a stretch and beside it. Raises _UnfitError."""
    from_ms, to_ms = int(edges_ms[0]), int(edges_ms[-1])
    parts = [held[span.id, series_id] for span in spans]
    if late is None or any(part is UNFIT for part in parts):
        raise _UnfitError
    is_first = False
    if not parts or parts[0].first[BESIDE] > from_ms:
        is_first = bool(parts) and int(parts[0].first[0]) == view.heads.first_ms[series_id]
        if not is_first:
            before_ms = spans[0].from_ms if spans else from_ms
            parts.insert(0, _beside(view, series_id, chunks.spans_backwards, before_ms, edges_ms))
    if len(late):
        return _Line(parts, *_with_late(view, series_id, parts[-1], late, spans, to_ms), is_first)
    if to_ms <= parts[-1].last[EDGE - BESIDE]:
        return _Line(parts, late, False, is_first)
    is_last = int(parts[-1].last[-1]) == view.heads.last_ms[series_id]
    if not is_last:
        parts.append(_beside(view, series_id, chunks.spans_forwards, spans[-1].to_ms if spans else to_ms, edges_ms))
    return _Line(parts, late, is_last, is_first)


def _with_late(
    view: View, series_id: int, newest: Part, late: Series, spans: list[Span], to_ms: int
) -> tuple[Series, bool]:
    """Give what is staged of a series after its newest part, and whether there is nothing after. Raises _UnfitError."""
    if late.at_ms[0] <= newest.last[-1]:
        raise _UnfitError
    # Beyond this there may be further chunks, which what is staged there would have to be put behind.
    cut = int(late.at_ms.searchsorted(max(to_ms, spans[-1].to_ms if spans else to_ms)))
    late = Series(late.at_ms[:cut], late.value[:cut])
    if len(late) - int(late.at_ms.searchsorted(to_ms)) >= coverage.CONTEXT:
        return late, False
    if len(late) and late.at_ms[-1] == view.heads.last_ms[series_id]:
        return late, True
    if len(late) == 0 and to_ms <= newest.last[EDGE - BESIDE]:
        return late, False
    raise _UnfitError


def _beside(view: View, series_id: int, look: _Look, at_ms: int, edges_ms: Int64s) -> Part:
    """Give the next part beside a stretch. Raises _UnfitError."""
    key = view.heads.keys[series_id]
    assert key is not None  # asked for by its id
    span = next(look(view.connection, key.sensor, at_ms), None)
    if span is None:
        raise _UnfitError
    part = remembered.parts_of(view, [(span, series_id)], int(edges_ms[1] - edges_ms[0]))[span.id, series_id]
    if part is UNFIT:
        raise _UnfitError
    return part


def _same_instants(one: _Line, other: _Line) -> bool:
    """Say whether two lines have the same instants. Those of one chunk that were worked out together share them."""
    return (
        len(one.parts) == len(other.parts)
        and all(mine.gaps is theirs.gaps for mine, theirs in zip(one.parts, other.parts, strict=True))
        and np.array_equal(one.late.at_ms, other.late.at_ms)
    )


def _note_gaps(gaps: Gaps, owner: int, line: _Line) -> None:
    """Note the gaps of a line: the known ones, and where they must be worked out."""
    if line.is_first:
        gaps.add_until(owner, int(line.parts[0].first[0]))
        gaps.look(owner, line.parts[0].first, 0, BESIDE)
    for part in line.parts:
        if part.gaps.size:
            gaps.add(owner, part.gaps)
    for before, after in itertools.pairwise(line.parts):
        gaps.look(owner, np.concatenate((before.last, after.first)), EDGE - BESIDE, EDGE + BESIDE)
    if line.is_last or len(line.late):
        ends = np.concatenate((line.parts[-1].last, line.late.at_ms))
        gaps.look(owner, ends, EDGE - BESIDE, len(ends) - (0 if line.is_last else BESIDE), is_end=line.is_last)


def _table(lines: list[_Line], owners: list[int], edges_ms: Int64s) -> Floats:
    """Give count, minimum, mean and maximum of each bucket of each line: float64 (lines, 4, n)."""
    from_ms, width, size = int(edges_ms[0]), int(edges_ms[1] - edges_ms[0]), len(edges_ms) - 1
    table = np.empty((len(lines), 4, size))
    for row, line in zip(table, lines, strict=True):
        done = 0
        for part in line.parts:
            begin = (part.begin_ms - from_ms) // width
            low, high = max(begin, 0), min(begin + part.cells.shape[1], size)
            if low < high:
                row[:, done:low] = _EMPTY
                row[:, low:high] = part.cells[:, low - begin : high - begin]
                done = high
        row[:, done:] = _EMPTY
    _put_late(table, lines, owners, edges_ms)
    return table


def _put_late(table: Floats, lines: list[_Line], owners: list[int], edges_ms: Int64s) -> None:
    """Put what is staged into its buckets.  owners: lines that follow each other and share instants have the same."""
    rank, before = 0, -1
    by_rank: dict[int, list[int]] = {}
    for number, (line, owner) in enumerate(zip(lines, owners, strict=True)):
        rank, before = (rank + 1 if owner == before else 0), owner
        if len(line.late):
            by_rank.setdefault(rank, []).append(number)
    found: tuple[list[int], _LateRuns] | None = None
    for numbers in by_rank.values():  # all sensors' temperatures, then all their humidities
        these = [owners[number] for number in numbers]
        if found is None or found[0] != these:
            found = these, _late_runs([lines[number] for number in numbers], edges_ms)
        of = found[1]
        if len(of.counts) == 0:
            continue
        values: list[Floats] = []
        for number, joint in zip(numbers, of.joints, strict=True):
            if joint:
                values.append(lines[number].parts[-1].in_last)
            values.append(lines[number].late.value)
        rows_of = np.array(numbers)[of.line]
        for column, made in enumerate(
            (of.counts, *bucketing.stats_of_runs(np.concatenate(values), of.starts, of.counts))
        ):
            table[rows_of, column, of.cell] = made


class _LateRuns(NamedTuple):
    """Which staged readings, of several lines laid end to end, fall into which buckets; columns of one length.

    joints: of each line, how many readings of its newest chunk share a bucket with the first staged one; laid before.
    """

    joints: list[int]
    line: Int64s
    cell: Int64s
    starts: Int64s
    counts: Int64s


def _late_runs(lines: list[_Line], edges_ms: Int64s) -> _LateRuns:
    from_ms, width, size = int(edges_ms[0]), int(edges_ms[1] - edges_ms[0]), len(edges_ms) - 1
    instants: list[Int64s] = []
    joints: list[int] = []
    for line in lines:
        newest, first_ms = line.parts[-1], line.late.at_ms[:1]
        joints.append(len(newest.in_last) if first_ms[0] < newest.begin_ms + newest.cells.shape[1] * width else 0)
        if joints[-1]:
            # As if they had come at that instant: which bucket they are in is all that is asked for.
            instants.append(first_ms.repeat(joints[-1]))
        instants.append(line.late.at_ms)
    lengths = [joint + len(line.late) for joint, line in zip(joints, lines, strict=True)]
    place = (np.concatenate(instants) - from_ms) // width
    np.clip(place, -1, size, out=place)  # what lies outside makes runs of its own beside the buckets, and is left out
    place += np.repeat(np.arange(len(lines)) * (size + 2) + 1, lengths)
    starts = np.concatenate(([0], np.flatnonzero(place[1:] != place[:-1]) + 1))
    counts = np.diff(starts, append=len(place))
    of_line, cell = np.divmod(place[starts], size + 2)
    inside = (cell > 0) & (cell <= size)
    return _LateRuns(joints, of_line[inside], cell[inside] - 1, starts[inside], counts[inside])
