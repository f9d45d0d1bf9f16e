"""What each sample of a series says, for all of them at once: the judge's verdicts and sums as columns. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.places import Bounds
from ingest.site.series import Floats, Int64s
from ingest.watch.window.judge import EXCESS_PER_UNIT, Rule, Sample, SensorState, Verdict, excess_steps

NOTHING: Final = 0
OUTSIDE, UNSURE, INSIDE, BARELY = 1, 2, 3, 4
VERDICTS: Final = (None, Verdict.OUTSIDE, Verdict.UNSURE, Verdict.INSIDE, Verdict.BARELY)
"""What the codes of a column mean; `BARELY` follows `INSIDE`."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Samples as columns.  at_ms: int64 (n,), strictly rising.  values: by quantity, float64 (n,), NaN if none."""

    at_ms: Int64s
    values: Mapping[str, Floats]

    def __len__(self) -> int:
        return len(self.at_ms)

    def sample(self, index: int) -> Sample:
        """Give one of them."""
        return Sample(int(self.at_ms[index]), **{name: float(column[index]) for name, column in self.values.items()})

    def part(self, first: int, end: int | None = None) -> Samples:
        """Give those from `first` up to and without `end`."""
        return Samples(self.at_ms[first:end], {name: column[first:end] for name, column in self.values.items()})


class Columns(NamedTuple):
    """What n samples say.  verdict: codes, (n,).  known, out: bits of quantities heard freshly enough, and outside.

    share: how far outside in margins (-1: not), (n,).  excess: per bound quantity, how far outside in its unit, (n,).
    held_at: per bound quantity, the index of its last value so far, -1 for none; None where each sample has a value.
    """

    verdict: NDArray[np.int8]
    known: NDArray[np.int8]
    out: NDArray[np.int8]
    share: Floats
    excess: list[Floats]
    held_at: list[Int64s | None]


class _One(NamedTuple):
    """What n samples say of one quantity; see `Columns`.  fresh, known: None where that is so of each sample."""

    excess: Floats
    beyond: NDArray[np.bool_]
    fresh: NDArray[np.bool_] | None = None
    known: NDArray[np.bool_] | None = None
    doubtful: NDArray[np.bool_] | None = None
    held_at: Int64s | None = None


def columns_of(state: SensorState, samples: Samples, rule: Rule) -> Columns:
    """Say what each sample means to a sensor that was in `state` before them, as `judge` says it of each."""
    count = len(samples)
    beyond, doubtful, fresh_any = np.zeros((3, count), dtype=np.bool_)
    known_bits, out_bits = np.zeros((2, count), dtype=np.int8)
    share = np.zeros(count)
    said = []
    for number, name in enumerate(rule.bounds):
        one = _said(state, samples, rule, name)
        said.append(one)
        np.maximum(share, one.excess / rule.weights[name], out=share)
        beyond |= one.beyond
        out_bits |= (one.excess > 0).view(np.int8) << np.int8(number)
        fresh_any |= True if one.fresh is None else one.fresh
        known_bits |= np.int8(1 << number) if one.known is None else one.known.view(np.int8) << np.int8(number)
        if one.doubtful is not None:
            doubtful |= one.doubtful
    verdict = beyond.view(np.int8) + np.int8(INSIDE)
    verdict[doubtful] = UNSURE
    out = out_bits != 0
    np.copyto(verdict, OUTSIDE, where=out)
    np.copyto(verdict, NOTHING, where=~fresh_any)
    np.copyto(share, -1.0, where=~out)
    return Columns(verdict, known_bits, out_bits, share, [one.excess for one in said], [one.held_at for one in said])


def _said(state: SensorState, samples: Samples, rule: Rule, name: str) -> _One:
    at_ms, count, bounds = samples.at_ms, len(samples), rule.bounds[name]
    value = samples.values.get(name)
    value = np.full(count, np.nan) if value is None else value
    fresh = np.isfinite(value)
    if fresh.all():  # a column without holes, as nearly all are: nothing is held over from before
        return _One(_excess(value, bounds), _is_beyond(value, rule.narrowed[name]))
    value = np.where(fresh, value, np.nan)
    last = np.maximum.accumulate(np.where(fresh, np.arange(count), -1))
    held, heard_ms = state.held.get(name, (math.nan, -(2**62)))
    held_value = np.where(last >= 0, value[last], held)
    known = at_ms - np.where(last >= 0, at_ms[last], heard_ms) <= rule.silent_ms
    beyond = known & _is_beyond(held_value, rule.narrowed[name])
    doubtful = known & _is_beyond(held_value, bounds)
    return _One(np.nan_to_num(_excess(value, bounds), copy=False), beyond, fresh, known, doubtful, last)


def _ends(bounds: Bounds) -> tuple[float, float]:
    return -np.inf if bounds.low is None else bounds.low, np.inf if bounds.high is None else bounds.high


def _is_beyond(value: Floats, bounds: Bounds) -> NDArray[np.bool_]:
    """Tell which values lie beyond bounds; NaN does not."""
    low, high = _ends(bounds)
    return (value < low) | (value > high)


def _excess(value: Floats, bounds: Bounds) -> Floats:
    """Give how far values lie beyond bounds, either way; NaN of NaN."""
    excess = np.clip(value, *_ends(bounds))
    np.subtract(value, excess, out=excess)
    return np.abs(excess, out=excess)


class Runs(NamedTuple):
    """Where samples turn outside and back, as indices in order.

    starts: the first outside of each run.  returns: the first one back inside after a run.  dangers: the starts of runs
    that are not surely back before the dwell time is up.  odd: what does not simply go on from the sample before it: it
    says nothing, or is unsure, or lacks a quantity, or comes after a gap.
    """

    starts: Int64s
    returns: Int64s
    dangers: Int64s
    odd: Int64s

    @staticmethod
    def of(columns: Columns, at_ms: Int64s, rule: Rule) -> Runs:
        """Find them."""
        verdict, out = columns.verdict, columns.out != 0
        vague = (verdict == NOTHING) | (verdict == UNSURE)
        odd = vague | (columns.known != (1 << len(rule.bounds)) - 1)
        odd[1:] |= np.diff(at_ms) > rule.silent_ms
        turns = np.flatnonzero(~vague) if vague.any() else None
        said = out if turns is None else out[turns]
        edges = np.flatnonzero(np.diff(said, prepend=np.False_))
        places = edges if turns is None else turns[edges]
        starts, returns = places[said[edges]], places[~said[edges]]
        last = np.append(returns, len(verdict))[: len(starts)] - 1
        lasts = at_ms[last] - at_ms[starts] >= rule.dwell_ms
        lasts[len(returns) :] = True
        return Runs(starts, returns, starts[lasts], np.flatnonzero(odd))


def summed(state: SensorState, samples: Samples, rule: Rule, columns: Columns) -> list[Int64s]:
    """Give, per bound quantity, what all samples before each end of the time outside (n + 1,), as `judge` sums it up.

    state: before the samples.
    """
    lasted_ms = np.diff(samples.at_ms)
    lasted_ms[lasted_ms > rule.silent_ms] = 0
    return [
        _summed(state, samples, rule, name, columns.excess[number], columns.held_at[number], lasted_ms)
        for number, name in enumerate(rule.bounds)
    ]


def _summed(  # noqa: PLR0917
    state: SensorState,
    samples: Samples,
    rule: Rule,
    name: str,
    excess: Floats,
    held_at: Int64s | None,
    lasted_ms: Int64s,
) -> Int64s:
    count, at_ms = len(samples), samples.at_ms
    sums = np.zeros(count + 1, dtype=np.int64)
    fresh = None if held_at is None else np.flatnonzero(held_at == np.arange(count))
    if count == 0 or (fresh is not None and not len(fresh)):
        return sums
    if fresh is not None:
        excess, at_ms = excess[fresh], at_ms[fresh]
        lasted_ms = np.diff(at_ms)
        lasted_ms[lasted_ms > rule.silent_ms] = 0
    steps = np.rint(excess * EXCESS_PER_UNIT).astype(np.int64)
    twice = np.empty_like(steps)
    np.add(steps[1:], steps[:-1], out=twice[1:])
    twice[1:] *= lasted_ms
    twice[0] = 0
    if name in state.held:
        held, heard_ms = state.held[name]
        begins_ms = int(at_ms[0]) - heard_ms
        more = excess_steps(rule.bounds[name], held) + int(steps[0])
        twice[0] = more * begins_ms if begins_ms <= rule.silent_ms else 0
    if fresh is None:
        np.cumsum(twice, out=sums[1:])
        return sums
    sums[fresh + 1] = twice
    return np.cumsum(sums, out=sums)
