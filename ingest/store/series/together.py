"""Buckets of many series between the same edges: read and computed together.

One by one, a hundred sensors' day in five-minute buckets would be two hundred times the fixed cost of a question. Here
the readings of all series are laid end to end, and each step is taken once for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import Buckets, Floats, Int64s, SeriesKey
from ingest.store.series import bucketing, chunks, coverage, lookup, rollups, rows
from ingest.store.series.view import View

_FEWEST: Final = 4  # series for which laying them together is worth it


class _Piece(NamedTuple):
    """One series' readings of the stretch, with what coverage needs around them."""

    key: SeriesKey
    at_ms: Int64s
    value: Floats


def buckets_of(
    view: View, keys: Sequence[SeriesKey], edges_ms: Int64s, pressure: Callable[[], float]
) -> dict[SeriesKey, Buckets]:
    """Give the buckets of each series. Raises ValueError when the edges do not rise strictly."""
    edges_ms = np.asarray(edges_ms, dtype=np.int64)
    bucketing.check_edges(edges_ms)
    wide = int(edges_ms[-1] - edges_ms[0]) >= rollups.MEASURED_MS * (len(edges_ms) - 1)
    pieces = {} if wide else {piece.key: piece for piece in _pieces(view, keys, edges_ms)}
    if len(pieces) < _FEWEST:
        return {key: lookup.buckets(view, key, edges_ms, pressure) for key in keys}
    found = _together(list(pieces.values()), edges_ms)
    return {key: found[key] if key in found else lookup.buckets(view, key, edges_ms, pressure) for key in keys}


def _pieces(view: View, keys: Sequence[SeriesKey], edges_ms: Int64s) -> list[_Piece]:
    """Give the series that can be laid together: measured, nothing staged, all that is needed in a few chunks."""
    from_ms, to_ms = int(edges_ms[0]), int(edges_ms[-1])
    spans: dict[str, list[chunks.Span]] = {}
    pieces = []
    for key in keys:
        series_id = view.heads.ids.get(key)
        if series_id is None or key.quantity in DERIVED or view.has_staged(series_id):
            continue
        if key.sensor not in spans:
            spans[key.sensor] = chunks.spans(view.connection, key.sensor, from_ms, to_ms)
        piece = _piece(view, key, series_id, spans[key.sensor], (from_ms, to_ms))
        if piece is not None:
            pieces.append(piece)
    return pieces


def _piece(
    view: View, key: SeriesKey, series_id: int, spans: list[chunks.Span], stretch: tuple[int, int]
) -> _Piece | None:
    columns = [rows.sealed_of(view, span, series_id) for span in spans]
    if len(columns) == 1:
        at_ms, value = columns[0].at_ms, columns[0].value
    elif columns:
        at_ms = np.concatenate([column.at_ms for column in columns])
        value = np.concatenate([column.value for column in columns])
    else:
        return None
    low, high = at_ms.searchsorted(stretch).tolist()
    first, last = low - coverage.CONTEXT, high + coverage.CONTEXT
    # Too few readings on a side are enough only where the series has no more.
    begins = first >= 0 or (len(at_ms) and at_ms[0] == view.heads.first_ms[series_id])
    ends = last <= len(at_ms) or (len(at_ms) and at_ms[-1] == view.heads.last_ms[series_id])
    cut = slice(max(first, 0), last)
    if not begins or not ends or len(at_ms[cut]) <= coverage.CONTEXT:
        return None
    return _Piece(key, at_ms[cut], value[cut])


def _together(pieces: list[_Piece], edges_ms: Int64s) -> dict[SeriesKey, Buckets]:
    """Give each piece's buckets. Pieces with the same instants share all that follows from instants alone."""
    shared: dict[tuple[int, int, int], int] = {}
    instants: list[Int64s] = []
    group = []
    for piece in pieces:
        # Slices of one column of instants that is held once: same place in memory, same instants.
        name = (piece.at_ms.__array_interface__["data"][0], len(piece.at_ms), int(piece.at_ms[0]))
        if name not in shared:
            shared[name] = len(instants)
            instants.append(piece.at_ms)
        group.append(shared[name])
    lengths = np.array([len(at_ms) for at_ms in instants])
    starts = np.concatenate(([0], np.cumsum(lengths)))[:-1]
    cuts = np.array([at_ms.searchsorted(edges_ms) for at_ms in instants])
    share = _shares(np.concatenate(instants), starts, cuts, edges_ms)
    count = np.diff(cuts, axis=1)
    value = np.concatenate([piece.value[cuts[g, 0] : cuts[g, -1]] for piece, g in zip(pieces, group, strict=True)])
    stats = _stats(value, count[group])
    return {
        piece.key: Buckets(edges_ms, count[g], stats[0][i], stats[1][i], stats[2][i], share[g])
        for i, (piece, g) in enumerate(zip(pieces, group, strict=True))
    }


def _shares(at_ms: Int64s, starts: Int64s, cuts: Int64s, edges_ms: Int64s) -> Floats:
    """Give the vouched share of each bucket of each column of instants."""
    vouched = coverage.vouched_in_segments(at_ms, starts)
    before = np.concatenate(([0], np.cumsum(vouched)))
    index = cuts - 1  # the last reading before each edge
    known = np.maximum(index, 0) + starts[:, None]
    inside = np.minimum(edges_ms - at_ms[known], vouched[known])
    until = np.where(index < 0, before[starts][:, None], before[known] + inside)
    share: Floats = np.diff(until, axis=1) / np.diff(edges_ms)
    return share


def _stats(value: Floats, count: Int64s) -> tuple[Floats, Floats, Floats]:
    """Give minimum, mean and maximum of runs of values that follow each other, `count` in each; NaN for none."""
    shape = count.shape
    flat = count.ravel()
    filled = flat > 0
    starts = (np.cumsum(flat) - flat)[filled]
    minimum, mean, maximum = (np.full(len(flat), np.nan) for _ in range(3))
    if len(starts):
        minimum[filled] = low = np.minimum.reduceat(value, starts)
        maximum[filled] = high = np.maximum.reduceat(value, starts)
        # No mean leaves its bucket's range by rounding.
        mean[filled] = np.clip(np.add.reduceat(value, starts) / flat[filled], low, high)
    return minimum.reshape(shape), mean.reshape(shape), maximum.reshape(shape)
