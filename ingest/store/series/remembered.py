"""What is remembered of sealed chunks: each one's cells of some width, and where nothing in it is covered.

Cells begin at multiples of their width, which divides an hour: so they never reach over the end of a chunk, and what a
chunk holds of them is worked out once, and held with what was unpacked last (bounded). For how long a reading vouches
hangs on `BESIDE` readings on each side: what lies further inside a chunk than that is remembered too.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from typing import Final, NamedTuple

import numpy as np

from ingest.site.series import Floats, Int64s
from ingest.store.series import bucketing, coverage, rows
from ingest.store.series.chunks import Span
from ingest.store.series.view import View

BESIDE: Final = coverage.NEIGHBOURS
EDGE: Final = 2 * BESIDE + 1
"""So many readings at an end of a chunk decide over the `BESIDE` outermost, with as many of what follows there."""
_FEWEST: Final = 2 * EDGE
_BUILT_AT_ONCE: Final = 32  # more would not stay in the processor's cache


class Part(NamedTuple):
    """What is remembered of one series of one chunk.

    begin_ms: of the first cell.  cells: float64 (4, n): count, minimum, mean, maximum; NaN where there is no reading.
    first, last: the `EDGE` instants at its ends.  gaps: int64 (2, k), begins and ends of what nothing covers, but
    for the `BESIDE` outermost readings.  in_last: the values in the last cell.
    """

    begin_ms: int
    cells: Floats
    first: Int64s
    last: Int64s
    gaps: Int64s
    in_last: Floats


_NONE: Final = np.empty(0, np.int64)
UNFIT: Final = Part(0, np.empty((4, 0)), _NONE, _NONE, np.empty((2, 0), np.int64), np.empty(0))
"""Stands for a series of which a chunk holds few readings or none, or too few to remember so many cells."""

Held = dict[tuple[int, int], Part]
"""By the chunk's and the series' ids."""


def parts_of(view: View, wanted: Iterable[tuple[Span, int]], width: int) -> Held:
    """Give what is remembered of series of chunks, working out what is not."""
    held: Held = {}
    missing: list[tuple[Span, int]] = []
    assert view.unpacked is not None
    get = view.unpacked.get
    for span, series_id in wanted:
        part = get(("cells", span.id, series_id, width))
        if part is None:
            missing.append((span, series_id))
        else:
            held[span.id, series_id] = part
    for begin in range(0, len(missing), _BUILT_AT_ONCE):
        some = missing[begin : begin + _BUILT_AT_ONCE]
        for (span, series_id), part in zip(some, _built(view, some, width), strict=True):
            held[span.id, series_id] = part
            size = part.cells.nbytes + part.gaps.nbytes + part.in_last.nbytes + 1000
            view.unpacked.put(("cells", span.id, series_id, width), part, size)
    return held


class _Frame(NamedTuple):
    """What the instants of a column say alone.  cuts: where each cell begins, and the end of the last."""

    at_ms: Int64s
    begin_ms: int
    cuts: Int64s
    gaps: Int64s


def _built(view: View, wanted: list[tuple[Span, int]], width: int) -> list[Part]:
    columns = [rows.sealed_of(view, *one) for one in wanted]
    frames = _frames([column.at_ms for column in columns], width)
    parts = [UNFIT] * len(wanted)
    few: list[int] = []
    many: list[int] = []
    for number, frame in enumerate(frames):
        if frame is not None:
            (few if int(np.diff(frame.cuts).max()) <= bucketing.FEW else many).append(number)
    for some in (few, many):  # apart, so that a mean hangs on its own chunk alone, to the last bit
        chosen = [(frame, columns[number].value) for number in some if (frame := frames[number]) is not None]
        for number, part in zip(some, _with_cells(chosen), strict=True):
            parts[number] = part
    return parts


def _frames(instants: list[Int64s], width: int) -> list[_Frame | None]:
    """Give each column's frame; None where it does not fit. Columns that are the same array share it."""
    known: dict[int, _Frame] = {}
    fitting: list[tuple[int, Int64s, int, Int64s]] = []
    for at_ms in instants:
        if id(at_ms) not in known and len(at_ms) >= _FEWEST:
            begin_ms = int(at_ms[0]) // width * width
            count = (int(at_ms[-1]) - begin_ms) // width + 1
            if count <= 2 * len(at_ms):
                fitting.append((id(at_ms), at_ms, begin_ms, begin_ms + np.arange(count + 1) * width))
    gaps = _inner_gaps([at_ms for _, at_ms, _, _ in fitting])
    for (name, at_ms, begin_ms, edges), own in zip(fitting, gaps, strict=True):
        known[name] = _Frame(at_ms, begin_ms, at_ms.searchsorted(edges), own)
    return [known.get(id(at_ms)) for at_ms in instants]


def _inner_gaps(instants: list[Int64s]) -> list[Int64s]:
    """Give the gaps of each column, but for those of its outermost readings."""
    if not instants:
        return []
    sizes = np.array([len(at_ms) for at_ms in instants])
    starts = np.cumsum(sizes) - sizes
    whole = np.concatenate(instants)
    vouched, before_gap = coverage.vouched_in_segments(whole, starts)
    owner = np.searchsorted(starts, before_gap, side="right") - 1
    place = before_gap - starts[owner]
    inner = (place >= BESIDE) & (place < sizes[owner] - BESIDE)
    before_gap, owner = before_gap[inner], owner[inner]
    gaps = np.stack((whole[before_gap] + vouched[before_gap], whole[np.minimum(before_gap + 1, len(whole) - 1)]))
    cuts = owner.searchsorted(np.arange(len(instants) + 1)).tolist()
    return [gaps[:, begin:end].copy() for begin, end in itertools.pairwise(cuts)]


def _with_cells(chosen: list[tuple[_Frame, Floats]]) -> list[Part]:
    if not chosen:
        return []
    begins = np.cumsum([0, *(len(value) for _, value in chosen)])
    counts = [np.diff(frame.cuts) for frame, _ in chosen]
    starts = [frame.cuts[:-1] + begin for (frame, _), begin in zip(chosen, begins.tolist(), strict=False)]
    count = np.concatenate(counts)
    stats = bucketing.stats_of_runs(np.concatenate([value for _, value in chosen]), np.concatenate(starts), count)
    table = np.stack((count.astype(np.float64), *stats))
    places = np.cumsum([0, *map(len, counts)]).tolist()
    return [
        Part(
            frame.begin_ms,
            table[:, begin:end].copy(),
            frame.at_ms[:EDGE].copy(),
            frame.at_ms[-EDGE:].copy(),
            frame.gaps,
            value[frame.cuts[-2] :].copy(),
        )
        for (frame, value), (begin, end) in zip(chosen, itertools.pairwise(places), strict=True)
    ]
