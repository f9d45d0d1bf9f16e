"""Columns of readings put together: cut by time, the later word over the earlier. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.store.series.chunk_format import Column

NONE: Final = Column(np.empty(0, np.int64), np.empty(0, np.float64), np.empty(0, np.bool_))
"""A column without a reading."""


def chosen(column: Column, which: NDArray[np.bool_] | NDArray[np.integer[Any]] | slice) -> Column:
    """Give some of the readings, by a mask, slice or index."""
    return Column(column.at_ms[which], column.value[which], column.arrival[which])


def between(column: Column, from_ms: int, to_ms: int) -> Column:
    """Give the readings with from_ms <= instant < to_ms."""
    low, high = np.searchsorted(column.at_ms, (from_ms, to_ms), side="left")
    if low == 0 and high == len(column.at_ms):
        return column
    return chosen(column, slice(low, high))


def joined(parts: Sequence[Column]) -> Column:
    """Give one column of several that follow each other in time."""
    if len(parts) == 1:
        return parts[0]
    if not parts:
        return NONE
    return Column(
        np.concatenate([part.at_ms for part in parts]),
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.arrival for part in parts]),
    )


def overlaid(old: Column, new: Column) -> Column:
    """Give both together; where both have an instant the new word stands."""
    if len(old.at_ms) == 0 or len(new.at_ms) == 0:
        return new if len(old.at_ms) == 0 else old
    both = joined((old, new))
    if old.at_ms[-1] < new.at_ms[0]:
        return both
    order = np.argsort(both.at_ms, kind="stable")
    last = np.append(np.diff(both.at_ms[order]) > 0, True)
    kept = order[last]
    return chosen(both, kept)


def extent(columns: Mapping[int, Column]) -> tuple[int, int]:
    """Give the first and the last instant of columns, none of them empty."""
    return min(int(c.at_ms[0]) for c in columns.values()), max(int(c.at_ms[-1]) for c in columns.values())
