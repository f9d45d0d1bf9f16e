"""A batch put in order before it is stored: checked, sorted, its own repetitions settled. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.errors import InputError
from ingest.physics.derived import DERIVED
from ingest.site.series import Floats, Int64s, ReadingBatch

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
    that instant.  overwritten: those that were contradicted.
    """

    key_index: NDArray[np.int32]
    at_ms: Int64s
    value: Floats
    arrival: NDArray[np.bool_]
    repeated: int
    overwritten: Overwritten


def same_bits(one: Floats, other: Floats) -> NDArray[np.bool_]:
    """Say where two float64 columns are equal bit for bit (0.0 and -0.0 are not)."""
    same: NDArray[np.bool_] = one.view(np.int64) == other.view(np.int64)
    return same


def check(batch: ReadingBatch) -> None:
    """Raise InputError for what must never be stored: values that are not finite, absurd instants, derived names."""
    for key in batch.keys:
        if key.quantity in DERIVED:
            raise InputError(
                f"{key.quantity} is derived and cannot be stored as measured",
                where=f"sensor {key.sensor}",
                mend="Store temperature_c and rh_percent; it follows from them",
            )
    if len(batch) == 0 or _plainly_sound(batch):
        return
    for wrong, what in (
        (~np.isfinite(batch.value), "a value that is not a finite number"),
        (np.abs(batch.at_ms) >= LIMIT_MS, "an instant that no clock can have given"),
    ):
        if wrong.any():
            key = batch.keys[batch.key_index[np.argmax(wrong)]]
            raise InputError(f"{what} cannot be stored", where=f"{key.quantity} of {key.sensor}", mend="Leave it out")


def runs(key_index: NDArray[np.int32]) -> Int64s:
    """Give where each run of one key begins."""
    if len(key_index) == 0:
        return np.empty(0, np.int64)
    return np.append(0, np.flatnonzero(key_index[1:] != key_index[:-1]) + 1)


def _plainly_sound(batch: ReadingBatch) -> bool:
    """Say whether one look is enough, without a temporary column: no sum with a NaN or an infinity in it is finite."""
    with np.errstate(over="ignore", invalid="ignore"):
        finite = bool(np.isfinite(batch.value.sum()))
    return finite and batch.at_ms.min() > -LIMIT_MS and batch.at_ms.max() < LIMIT_MS


def _is_in_order(batch: ReadingBatch) -> bool:
    """Say whether a batch is by series and instant already, each instant once, as large imports nearly always are."""
    key_index, at_ms = batch.key_index, batch.at_ms
    if not bool(((at_ms[1:] > at_ms[:-1]) | (key_index[1:] != key_index[:-1])).all()):
        return False
    return bool((key_index[1:] >= key_index[:-1]).all())


_NOTHING_OVERWRITTEN: Final = Overwritten(np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0), np.empty(0))


def sort(batch: ReadingBatch) -> Sorted:
    """Put a checked batch in order."""
    if _is_in_order(batch):
        return Sorted(batch.key_index, batch.at_ms, batch.value, batch.arrival_stamped, 0, _NOTHING_OVERWRITTEN)
    order = np.lexsort((batch.at_ms, batch.key_index))  # stable: readings of one instant stay in the batch's order
    key_index, at_ms = batch.key_index[order], batch.at_ms[order]
    value, arrival = batch.value[order], batch.arrival_stamped[order]
    followed = np.zeros(len(at_ms), dtype=np.bool_)  # another reading of the same instant comes after this one
    followed[:-1] = (key_index[1:] == key_index[:-1]) & (at_ms[1:] == at_ms[:-1])
    before = np.flatnonzero(followed)
    contradicted = before[~same_bits(value[before], value[before + 1])]
    return Sorted(
        key_index[~followed],
        at_ms[~followed],
        value[~followed],
        arrival[~followed],
        repeated=len(before) - len(contradicted),
        overwritten=Overwritten(
            key_index[contradicted], at_ms[contradicted], value[contradicted], value[contradicted + 1]
        ),
    )
