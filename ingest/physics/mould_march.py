"""The mould index as a machine: one step after the other, growth where the climate lets it grow, decline where not.

`mould` says what each step's climate asks for (`Course`) and has the public functions; here is the marching alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from ingest.physics.pointwise import FloatArray

HOURS_PER_WEEK: Final = 168.0
HIGHEST_INDEX: Final = 6.0
_GROWTH_STEP_HOURS: Final = 1.0  # as published; longer steps are cut up
# Decline once growth has stopped [1/day]: 0.032 for the first 6 hours, nothing to 24 hours, 0.016 from then on.
_FIRST_HOURS, _FIRST_PER_DAY = 6.0, 0.032
_LATER_HOURS, _LATER_PER_DAY = 24.0, 0.016


@dataclass(frozen=True, slots=True)
class MouldState:
    """Where a surface stands.  index: M, 0..6.  hours_without_growth: how long the climate has let nothing grow."""

    index: float = 0.0
    hours_without_growth: float = 0.0


class Course(NamedTuple):
    """What the climate asks of the index, step by step, as plain lists of one length."""

    rate: list[float]  # growth per hour before k1 and k2
    growing: list[bool]
    known: list[bool]
    largest: list[float]  # M_max
    k1_young: list[float]
    k1_grown: list[float]


def march(course: Course, hours: FloatArray, state: MouldState, decline_factor: float) -> tuple[FloatArray, MouldState]:
    """Step dM/dt = k1 k2 / (7 days x t_m) where it grows and the decline where it does not; explicit, as published.

    hours: length of each step, (n,).  decline_factor: the material's, 0..1.  Gives M after each step, and the state
    after the last. A step that is not known changes nothing.
    """
    # A plain loop over Python floats: each step needs the one before, and this is a year in a hundredth of a second.
    index, dry_hours, history = state.index, state.hours_without_growth, []
    for rate, growing, known, largest, young, grown, step in zip(*course, hours.tolist(), strict=True):
        if growing and step > 0.0:
            dry_hours, left = 0.0, step
            while left > 0.0:
                k2 = max(1.0 - math.exp(2.3 * (index - largest)), 0.0)
                index += rate * min(left, _GROWTH_STEP_HOURS) * (young if index < 1.0 else grown) * k2
                left -= _GROWTH_STEP_HOURS
        elif known:
            index -= decline_factor * (_declined(dry_hours + step) - _declined(dry_hours))
            dry_hours += step
        index = min(max(index, 0.0), HIGHEST_INDEX)
        history.append(index)
    return np.array(history, dtype=np.float64), MouldState(index, dry_hours)


def _declined(hours: float) -> float:
    """Give by how much the index has fallen so many hours after growth stopped."""
    later = max(hours - _LATER_HOURS, 0.0)
    return (_FIRST_PER_DAY * min(hours, _FIRST_HOURS) + _LATER_PER_DAY * later) / 24.0
