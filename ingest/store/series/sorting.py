"""A batch put in order before it is stored: checked, sorted, its own repetitions settled. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.errors import InputError
from ingest.physics.derived import DERIVED
from ingest.site.series import Floats, Int64s, ReadingBatch, SeriesKey

LIMIT_MS: Final = 2**53
"""Instants lie strictly between minus and plus this (285,000 years), where float64 too holds every millisecond."""


@dataclass(frozen=True, slots=True)
class Overwritten:
    """Readings that a later one of the same batch contradicts.  key_index: int32.  old, new: float64.  All of (n,)."""

    key_index: NDArray[np.int32]
    at_ms: Int64s
    old: Floats
    new: Floats


@dataclass(frozen=True, slots=True)
class Sorted:
    """A batch by series and instant, each instant once, with the value that stood last in the batch.

    key_index, at_ms, value, arrival: columns (n,).  repeated: readings that said the same as the one before them for
    that instant.  overwritten: those that were contradicted.  starts: int64 (m,), where each series begins.
    """

    key_index: NDArray[np.int32]
    at_ms: Int64s
    value: Floats
    arrival: NDArray[np.bool_]
    repeated: int
    overwritten: Overwritten
    starts: Int64s


def same_bits(one: Floats, other: Floats) -> NDArray[np.bool_]:
    """Say where two float64 columns are equal bit for bit (0.0 and -0.0 are not)."""
    same: NDArray[np.bool_] = one.view(np.int64) == other.view(np.int64)
    return same


def check_names(keys: Iterable[SeriesKey]) -> None:
    """Raise InputError for derived quantities, which are never stored as measured."""
    for key in keys:
        if key.quantity in DERIVED:
            raise InputError(
                f"{key.quantity} is derived and cannot be stored as measured",
                where=f"sensor {key.sensor}",
                mend="Store temperature_c and rh_percent; it follows from them",
            )


def _check_numbers(batch: ReadingBatch, outermost_ms: Int64s) -> None:
    """Raise InputError for a value or an instant that cannot be.  outermost_ms: instants between which all others lie.

    Where one look is enough, no long temporary column is made: no sum with a NaN or an infinity in it is finite.
    """
    if len(batch) < _AT_ONCE:
        finite = bool(np.isfinite(batch.value).all())
    else:
        with np.errstate(over="ignore", invalid="ignore"):
            finite = bool(np.isfinite(batch.value.sum()))
    if finite and outermost_ms.min() > -LIMIT_MS and outermost_ms.max() < LIMIT_MS:
        return
    for wrong, what in (
        (~np.isfinite(batch.value), "a value that is not a finite number"),
        (np.abs(batch.at_ms) >= LIMIT_MS, "an instant that no clock can have given"),
    ):
        if wrong.any():
            key = batch.keys[batch.key_index[np.argmax(wrong)]]
            raise InputError(f"{what} cannot be stored", where=f"{key.quantity} of {key.sensor}", mend="Leave it out")


_AT_ONCE: Final = 1 << 16  # readings that are compared at once: their marks stay in the processor's cache


def runs(key_index: NDArray[np.int32]) -> Int64s:
    """Give where each run of one key begins."""
    if len(key_index) == 0:
        return np.empty(0, np.int64)
    found = [np.zeros(1, np.int64)]
    for begin in range(0, len(key_index) - 1, _AT_ONCE):
        some = key_index[begin : begin + _AT_ONCE + 1]
        found.append(np.flatnonzero(some[1:] != some[:-1]) + begin + 1)
    return np.concatenate(found)


def _starts_in_order(batch: ReadingBatch) -> Int64s | None:
    """Give where each series begins, if a batch is by series and instant already, as large imports nearly always are.

    None where it is not, or has an instant twice.
    """
    found = [np.zeros(1, np.int64)]
    for begin in range(0, len(batch) - 1, _AT_ONCE):
        key_index = batch.key_index[begin : begin + _AT_ONCE + 1]
        at_ms = batch.at_ms[begin : begin + _AT_ONCE + 1]
        changes = np.flatnonzero(key_index[1:] != key_index[:-1])
        falls = np.count_nonzero(at_ms[1:] <= at_ms[:-1])
        if falls and falls != np.count_nonzero(at_ms[changes + 1] <= at_ms[changes]):
            return None
        found.append(changes + begin + 1)
    starts = np.concatenate(found)
    return starts if bool((np.diff(batch.key_index[starts]) > 0).all()) else None


_FEW: Final = 2048  # readings that are sorted in less time than it takes to see that they need not be
_NOTHING_OVERWRITTEN: Final = Overwritten(np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0), np.empty(0))


def checked_and_sorted(batch: ReadingBatch) -> Sorted:
    """Put a batch of at least one reading in order.

    Raises InputError for what must never be stored: values that are not finite, absurd instants.
    """
    starts = None if len(batch) < _FEW else _starts_in_order(batch)
    if starts is None:
        _check_numbers(batch, batch.at_ms)
        return _sort(batch)
    ends = np.append(starts[1:], len(batch)) - 1
    _check_numbers(batch, batch.at_ms[np.concatenate((starts, ends))])
    columns = batch.key_index, batch.at_ms, batch.value, batch.arrival_stamped
    return Sorted(*columns, repeated=0, overwritten=_NOTHING_OVERWRITTEN, starts=starts)


def _sort(batch: ReadingBatch) -> Sorted:
    order = np.lexsort((batch.at_ms, batch.key_index))  # stable: readings of one instant stay in the batch's order
    key_index, at_ms = batch.key_index[order], batch.at_ms[order]
    value, arrival = batch.value[order], batch.arrival_stamped[order]
    followed = np.zeros(len(at_ms), dtype=np.bool_)  # another reading of the same instant comes after this one
    followed[:-1] = (key_index[1:] == key_index[:-1]) & (at_ms[1:] == at_ms[:-1])
    before = np.flatnonzero(followed)
    if len(before) == 0:
        return Sorted(key_index, at_ms, value, arrival, 0, _NOTHING_OVERWRITTEN, runs(key_index))
    contradicted = before[~same_bits(value[before], value[before + 1])]
    kept = key_index[~followed]
    return Sorted(
        kept,
        at_ms[~followed],
        value[~followed],
        arrival[~followed],
        repeated=len(before) - len(contradicted),
        overwritten=Overwritten(
            key_index[contradicted], at_ms[contradicted], value[contradicted], value[contradicted + 1]
        ),
        starts=runs(kept),
    )
