"""Buckets of many series between the same edges: read and computed together.

One by one, a hundred sensors' day in five-minute buckets would be two hundred times the fixed cost of a question. Here
the readings of all series are laid end to end, and each step is taken once for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, NamedTuple, TypeVar

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import Buckets, Floats, Int64s, SeriesKey
from ingest.store.series import bucketing, chunks, coverage, lookup, rollups, rows
from ingest.store.series.chunk_format import Column
from ingest.store.series.view import View

_FEWEST: Final = 4  # series for which laying them together is worth it


class _Group(NamedTuple):
    """Instants that several series of a sensor share, cut to the stretch and what coverage needs around it."""

    at_ms: Int64s
    cut: slice


class _Piece(NamedTuple):
    """One series' values at the instants of its group, of which it gives the number."""

    key: SeriesKey
    group: int
    value: Floats


def buckets_of(
    view: View, keys: Sequence[SeriesKey], edges_ms: Int64s, pressure: Callable[[], float]
) -> dict[SeriesKey, Buckets]:
    """Give the buckets of each series. Raises ValueError when the edges do not rise strictly."""
    edges_ms = np.asarray(edges_ms, dtype=np.int64)
    bucketing.check_edges(edges_ms)
    wide = int(edges_ms[-1] - edges_ms[0]) >= rollups.MEASURED_MS * (len(edges_ms) - 1)
    groups, pieces = ([], []) if wide else _pieces(view, keys, edges_ms)
    found = _together(groups, pieces, edges_ms) if len(pieces) >= _FEWEST else {}
    return {key: found[key] if key in found else lookup.buckets(view, key, edges_ms, pressure) for key in keys}


def _pieces(view: View, keys: Sequence[SeriesKey], edges_ms: Int64s) -> tuple[list[_Group], list[_Piece]]:
    """Give the series that can be laid together: measured, nothing staged, all that is needed in a few chunks."""
    wanted: dict[str, dict[SeriesKey, int]] = {}
    for key in keys:
        series_id = view.heads.ids.get(key)
        if series_id is not None and key.quantity not in DERIVED and not view.has_staged(series_id):
            wanted.setdefault(key.sensor, {})[key] = series_id
    groups: list[_Group] = []
    pieces: list[_Piece] = []
    stretch = edges_ms[[0, -1]]
    spans = chunks.spans_of_many(view.connection, list(wanted), int(edges_ms[0]), int(edges_ms[-1]))
    for members, those in zip(wanted.values(), spans, strict=True):
        known: dict[tuple[int, ...], int | None] = {}
        for key, series_id in members.items():
            columns = [rows.sealed_of(view, span, series_id) for span in those]
            # Instants that several series share are unpacked and held once: the same array, the same instants.
            name = tuple(id(column.at_ms) for column in columns)
            if name not in known:
                group = _group(view, series_id, columns, stretch)
                known[name] = None if group is None else len(groups)
                groups += [] if group is None else [group]
            number = known[name]
            if number is not None:
                pieces.append(_Piece(key, number, _joined([c.value for c in columns])[groups[number].cut]))
    return groups, pieces


def _group(view: View, series_id: int, columns: list[Column], stretch: Int64s) -> _Group | None:
    """Give a series' instants; None where they are too few, or the chunks hold too few beside the stretch."""
    if not columns:
        return None
    at_ms = _joined([column.at_ms for column in columns])
    low, high = at_ms.searchsorted(stretch).tolist()
    first, last = low - coverage.CONTEXT, high + coverage.CONTEXT
    # Too few readings on a side are enough only where the series has no more.
    begins = first >= 0 or (len(at_ms) and at_ms[0] == view.heads.first_ms[series_id])
    ends = last <= len(at_ms) or (len(at_ms) and at_ms[-1] == view.heads.last_ms[series_id])
    cut = slice(max(first, 0), last)
    if not begins or not ends or len(at_ms[cut]) <= coverage.CONTEXT:
        return None
    return _Group(at_ms[cut], cut)


_Any = TypeVar("_Any", Int64s, Floats)


def _joined(columns: list[_Any]) -> _Any:
    return columns[0] if len(columns) == 1 else np.concatenate(columns)


def _together(groups: list[_Group], pieces: list[_Piece], edges_ms: Int64s) -> dict[SeriesKey, Buckets]:
    """Give each piece's buckets. Pieces of one group share all that follows from instants alone."""
    instants = [group.at_ms for group in groups]
    starts = np.cumsum([0, *map(len, instants)])[:-1]
    cuts = np.array([at_ms.searchsorted(edges_ms) for at_ms in instants])
    share = _shares(np.concatenate(instants), starts, cuts, edges_ms)
    count = np.diff(cuts, axis=1)
    of_piece = [piece.group for piece in pieces]
    # Whole pieces are laid end to end, with what lies beside the stretch: cutting each would take longer.
    values = [piece.value for piece in pieces]
    begins = np.cumsum([0, *map(len, values)])[:-1]
    stats = _stats(np.concatenate(values), cuts[of_piece, :-1] + begins[:, None], count[of_piece])
    return {
        piece.key: Buckets(edges_ms, count[piece.group], low, mean, high, share[piece.group])
        for piece, low, mean, high in zip(pieces, *stats, strict=True)
    }


def _shares(at_ms: Int64s, starts: Int64s, cuts: Int64s, edges_ms: Int64s) -> Floats:
    """Give the vouched share of each bucket of each column of instants."""
    vouched = coverage.vouched_in_segments(at_ms, starts)
    before = np.zeros(len(at_ms) + 1, np.int64)
    np.cumsum(vouched, out=before[1:])
    index = cuts - 1  # the last reading before each edge
    known = np.maximum(index, 0)
    known += starts[:, None]
    until = np.minimum(edges_ms - at_ms[known], vouched[known])
    until += before[known]
    if cuts[:, 0].min() == 0:
        until = np.where(index < 0, before[starts][:, None], until)
    share: Floats = np.diff(until, axis=1) / np.diff(edges_ms)
    return share


_FEW: Final = 12  # values in a bucket up to which looking at all buckets' first, second ... values takes less time


def _stats(value: Floats, starts: Int64s, count: Int64s) -> tuple[Floats, Floats, Floats]:
    """Give minimum, mean and maximum of runs of values; NaN for an empty one.  starts, count: (m, n)."""
    shape = count.shape
    starts, count = starts.ravel(), count.ravel()
    filled = count > 0
    every = bool(filled.all())
    if not every:
        starts, count = starts[filled], count[filled]
    few = len(count) == 0 or int(count.max()) <= _FEW
    low, total, high = (_stats_of_few if few else _stats_of_many)(value, starts, count)
    total /= count
    # No mean leaves its bucket's range by rounding.
    np.maximum(total, low, out=total)
    np.minimum(total, high, out=total)
    if every:
        return low.reshape(shape), total.reshape(shape), high.reshape(shape)
    minimum, mean, maximum = (np.full(len(filled), np.nan) for _ in range(3))
    minimum[filled], mean[filled], maximum[filled] = low, total, high
    return minimum.reshape(shape), mean.reshape(shape), maximum.reshape(shape)


def _stats_of_few(value: Floats, starts: Int64s, count: Int64s) -> tuple[Floats, Floats, Floats]:
    """Give minimum, sum and maximum of runs, none empty, looking at the first value of each, the second, and so on."""
    low = value[starts]
    high, total = low.copy(), low.copy()
    last = count - 1
    for number in range(1, int(count.max()) if len(count) else 0):
        having = last >= number
        share = np.count_nonzero(having)
        if 4 * share < len(count):
            which = np.flatnonzero(having)
            one = value[starts[which] + number]
            total[which] += one
            low[which] = np.minimum(low[which], one)
            high[which] = np.maximum(high[which], one)
            continue
        one = value[starts + (number if share == len(count) else np.minimum(last, number))]
        np.minimum(low, one, out=low)
        np.maximum(high, one, out=high)
        total += one if share == len(count) else np.where(having, one, 0.0)
    return low, total, high


def _stats_of_many(value: Floats, starts: Int64s, count: Int64s) -> tuple[Floats, Floats, Floats]:
    """Give minimum, sum and maximum of runs, none empty."""
    # Every second stretch lies between two runs, and is left out.
    cuts = np.column_stack((starts, starts + count)).ravel()
    cuts = cuts[:-1] if cuts[-1] == len(value) else cuts
    return tuple(of.reduceat(value, cuts)[::2].copy() for of in (np.minimum, np.add, np.maximum))  # type: ignore[return-value]
