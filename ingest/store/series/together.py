"""Buckets of many series between the same edges: read and computed together.

One by one, a hundred sensors' day in five-minute buckets would be two hundred times the fixed cost of a question. Here
the readings of all series are laid end to end, and each step is taken once for all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Final, NamedTuple, TypeVar

import numpy as np

from ingest.physics.derived import DERIVED
from ingest.site.series import Buckets, Floats, Int64s, Series, SeriesKey
from ingest.store.series import bucketing, chunks, coverage, gridded, lookup, rollups, rows
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
    wanted = {} if wide or view.own else _measured(view, keys)
    found = _found(view, wanted, edges_ms) if sum(map(len, wanted.values())) >= _FEWEST else {}
    return {key: found[key] if key in found else lookup.buckets(view, key, edges_ms, pressure) for key in keys}


def _measured(view: View, keys: Sequence[SeriesKey]) -> dict[str, dict[SeriesKey, int]]:
    """Give the measured series among these with their ids, by sensor."""
    wanted: dict[str, dict[SeriesKey, int]] = {}
    ids = view.heads.ids
    for key in keys:
        series_id = ids.get(key)
        if series_id is not None and key.quantity not in DERIVED:
            wanted.setdefault(key.sensor, {})[key] = series_id
    return wanted


def _found(view: View, wanted: gridded.Wanted, edges_ms: Int64s) -> dict[SeriesKey, Buckets]:
    """Give the buckets of all series that need not be looked at one by one."""
    spans = chunks.spans_of_many(view.connection, list(wanted), int(edges_ms[0]), int(edges_ms[-1]))
    staged = _staged(view, [series_id for members in wanted.values() for series_id in members.values()])
    found = gridded.buckets_of(view, wanted, spans, staged, edges_ms) if gridded.width_of(edges_ms) else {}
    groups, pieces = _pieces(view, wanted, spans, staged, edges_ms, found)
    return found | _together(groups, pieces, edges_ms) if len(pieces) >= _FEWEST else found


def _pieces(
    view: View,
    wanted: gridded.Wanted,
    spans: list[list[chunks.Span]],
    staged: Mapping[int, Series | None],
    edges_ms: Int64s,
    found: Collection[SeriesKey],
) -> tuple[list[_Group], list[_Piece]]:
    """Give the series that can be laid together: all that is needed in a few chunks and plainly staged.

    found: what is not wanted any more.
    """
    groups: list[_Group] = []
    pieces: list[_Piece] = []
    stretch = edges_ms[[0, -1]]
    for members, those in zip(wanted.values(), spans, strict=True):
        known: list[tuple[list[Int64s], tuple[int, int], int | None]] = []
        for key, series_id in members.items():
            if key in found:
                continue
            extent = int(view.heads.first_ms[series_id]), int(view.heads.last_ms[series_id])
            columns = (rows.sealed_of(view, span, series_id) for span in those)
            parts = [_Part(c.at_ms, c.value) for c in columns if len(c.at_ms)]
            late = staged.get(series_id, rows.EMPTY)
            if late is None or not parts:
                continue
            # Beyond this there may be further chunks, which what is staged there would have to be put behind.
            late = _before(late, max(those[-1].to_ms, int(stretch[-1])))
            if len(late):
                if late.at_ms[0] <= parts[-1].at_ms[-1]:
                    continue
                parts.append(_Part(late.at_ms, late.value))
            instants = [part.at_ms for part in parts]
            number = next((group for same, of, group in known if of == extent and _same(same, instants)), -1)
            if number == -1:
                group = _group(extent, instants, stretch)
                number = None if group is None else len(groups)
                groups += [] if group is None else [group]
                known.append((instants, extent, number))
            if number is not None:
                pieces.append(_Piece(key, number, _joined([part.value for part in parts])[groups[number].cut]))
    return groups, pieces


class _Part(NamedTuple):
    at_ms: Int64s
    value: Floats


def _before(samples: Series, end_ms: int) -> Series:
    cut = int(samples.at_ms.searchsorted(end_ms))
    return samples if cut == len(samples) else Series(samples.at_ms[:cut], samples.value[:cut])


def _staged(view: View, ids: list[int]) -> dict[int, Series | None]:
    """Give what is staged of those series of which something may be; None where it is not plain."""
    state, which = view.heads.state, np.array(ids, dtype=np.int64)
    after = np.maximum(view.heads.sealed_through[which], state.sealed)
    waiting = after < state.top
    if not waiting.any():
        return {}
    found = view.tail.plain(which[waiting], after[waiting], state.top)
    return dict(zip(which[waiting].tolist(), found, strict=True))


def _same(one: list[Int64s], other: list[Int64s]) -> bool:
    """Say whether these are the same instants. Shared ones of a chunk are unpacked and held once: the same array."""
    return len(one) == len(other) and all(
        a is b or (len(a) == len(b) and bool((a == b).all())) for a, b in zip(one, other, strict=True)
    )


def _group(extent: tuple[int, int], instants: list[Int64s], stretch: Int64s) -> _Group | None:
    """Give a series' instants; None where they are too few, or there are too few beside the stretch.

    extent: the series' first and last instant.
    """
    at_ms = _joined(instants)
    low, high = at_ms.searchsorted(stretch).tolist()
    first, last = low - coverage.CONTEXT, high + coverage.CONTEXT
    # Too few readings on a side are enough only where the series has no more.
    begins = first >= 0 or at_ms[0] == extent[0]
    ends = last <= len(at_ms) or at_ms[-1] == extent[1]
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
    share = _shares(instants, starts, edges_ms)
    count = np.diff(cuts, axis=1)
    of_piece = [piece.group for piece in pieces]
    # Whole pieces are laid end to end, with what lies beside the stretch: cutting each would take longer.
    values = [piece.value for piece in pieces]
    begins = np.cumsum([0, *map(len, values)])[:-1]
    stats = bucketing.stats_of_runs(np.concatenate(values), cuts[of_piece, :-1] + begins[:, None], count[of_piece])
    return {
        piece.key: Buckets(edges_ms, count[piece.group], low, mean, high, share[piece.group])
        for piece, low, mean, high in zip(pieces, *stats, strict=True)
    }


def _shares(instants: list[Int64s], starts: Int64s, edges_ms: Int64s) -> Floats:
    """Give the vouched share of each bucket of each column of instants."""
    vouched, with_gap = coverage.vouched_in_segments(np.concatenate(instants), starts)
    share = np.ones((len(instants), len(edges_ms) - 1))
    partly = set((np.searchsorted(starts, with_gap, side="right") - 1).tolist())
    for number, at_ms in enumerate(instants):
        # Most have no gap in the stretch: every bucket is covered whole.
        own = vouched[starts[number] : starts[number] + len(at_ms)]
        if number in partly or at_ms[0] > edges_ms[0] or at_ms[-1] + own[-1] < edges_ms[-1]:
            share[number] = coverage.vouched_share(at_ms, own, edges_ms)
    return share
