"""Judging a whole series at once: the same outcome as `judge.judge` sample by sample, a hundred times as fast. Pure.

What each sample says (its verdict) is computed for all samples together. Then a walk goes from one sample that can
change the state to the next: inside, only a reading outside matters; out, only one that is back inside by the margin,
or one that is worse by a step. A property test holds the walk to the plain judge, sample by sample.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ingest.site.incidents import RoomState
from ingest.site.places import Bounds
from ingest.site.series import Floats, Int64s
from ingest.watch.judge import (
    ACTIVE,
    BROKEN_BY_GAP,
    COUNTING,
    EXCESS_PER_UNIT,
    ORDER,
    STEPS,
    Rule,
    Sample,
    SensorState,
    Verdict,
    Why,
    Worst,
    excess_steps,
    judge,
    with_excess,
)

WORSE_BY_MARGINS: Final = 0.25
"""An open incident is written anew when its worst value has passed another such share of a margin."""

CALM_KEPT: Final = 32
_NOTHING: Final = 0
_VERDICTS: Final = (None, Verdict.OUTSIDE, Verdict.UNSURE, Verdict.INSIDE, Verdict.BARELY)
_OUTSIDE, _UNSURE, _INSIDE, _BARELY = 1, 2, 3, 4
_FIRST_LOOK: Final = 64


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


class Change(NamedTuple):
    """One sample that began, ended or worsened (by a step) an excursion that counts: the state before it and after."""

    at_ms: int
    before: SensorState
    after: SensorState


def step_of(worst: Worst | None) -> int:
    """Give how many steps of `WORSE_BY_MARGINS` a worst value lies outside; -1 for none."""
    return -1 if worst is None else math.floor(worst.share / WORSE_BY_MARGINS)


def is_told(before: SensorState, after: SensorState) -> bool:
    """Tell whether what one sample did is a `Change`: a drift that comes to nothing is none, nor is wavering."""
    if after.active is not before.active:
        return True
    return after.active and step_of(after.worst) > step_of(before.worst)


def judge_series(
    state: SensorState, samples: Samples, rule: Rule, calm: list[tuple[int, int]] | None = None
) -> tuple[SensorState, list[Change]]:
    """Judge samples one after the other and give the last state, and each change on the way.

    The same as folding `judge` over the samples.  calm: takes the stretches within that came to an end (since when, and
    the sample that ended it), the last `CALM_KEPT` of them at least.
    Raises ValueError where the first sample is older than what was judged.
    """
    changes: list[Change] = []
    calm = [] if calm is None else calm
    count = len(samples)
    first = min(count, 1)
    if first:
        state = _plainly(state, samples.sample(0), rule, changes, calm)
    if count > 2:
        state = _Walk(state, samples.part(first, count - 1), rule, calm).to_the_end(changes)
    if count > 1:
        # The last sample is judged plainly, so that the state remembers what it was before it.
        state = _plainly(state, samples.sample(count - 1), rule, changes, calm)
    return state, changes


def _plainly(
    state: SensorState, sample: Sample, rule: Rule, changes: list[Change], calm: list[tuple[int, int]]
) -> SensorState:
    after, _ = judge(state, sample, rule)
    if state.state is RoomState.WITHIN is not after.state and state.since_ms is not None:
        calm.append((state.since_ms, sample.at_ms))
    if is_told(state, after):
        changes.append(Change(sample.at_ms, state, after))
    return after


class _Columns(NamedTuple):
    """What n samples say.  verdict: codes, (n,).  known, out: bits of quantities heard freshly enough, and outside.

    share, quantity: how far outside in margins (-1: not) and which bound quantity it is.  held_at: per bound quantity,
    the index of its last value so far, -1 for none.
    """

    verdict: NDArray[np.int8]
    known: NDArray[np.int8]
    out: NDArray[np.int8]
    share: Floats
    quantity: NDArray[np.int64]
    held_at: list[NDArray[np.int64]]


def _columns(state: SensorState, samples: Samples, rule: Rule) -> _Columns:
    at_ms, count = samples.at_ms, len(samples)
    order = np.arange(count)
    fresh_any, doubtful, beyond = np.zeros((3, count), dtype=np.bool_)
    known_bits, out_bits = np.zeros((2, count), dtype=np.int8)
    shares = np.full((len(rule.bounds), count), -1.0)
    held_at = []
    for number, (name, bounds) in enumerate(rule.bounds.items()):
        value = samples.values.get(name)
        value = np.full(count, np.nan) if value is None else value
        fresh = np.isfinite(value)
        if fresh.all():  # a column without holes, as nearly all are: nothing is held over from before
            last, held_value, known = order, value, fresh
        else:
            last = np.maximum.accumulate(np.where(fresh, order, -1))
            held, heard_ms = state.held.get(name, (math.nan, -(2**62)))
            held_value = np.where(last >= 0, value[last], held)
            known = at_ms - np.where(last >= 0, at_ms[last], heard_ms) <= rule.silent_ms
        outside = fresh & _excess(value, bounds)
        beyond_it = value[outside]
        low, high = (math.nan if end is None else end for end in (bounds.low, bounds.high))
        shares[number, outside] = np.fmax(low - beyond_it, beyond_it - high) / rule.weights[name]
        fresh_any |= fresh
        doubtful |= known & _excess(held_value, bounds)
        beyond |= known & _excess(held_value, rule.narrowed[name])
        known_bits |= known.astype(np.int8) << number
        out_bits |= outside.astype(np.int8) << number
        held_at.append(last)
    verdict = np.where(beyond, np.int8(_BARELY), np.int8(_INSIDE))
    verdict[doubtful] = _UNSURE
    verdict[out_bits != 0] = _OUTSIDE
    verdict[~fresh_any] = _NOTHING
    quantity = np.argmax(shares, axis=0)
    return _Columns(verdict, known_bits, out_bits, np.max(shares, axis=0), quantity, held_at)


def _excess(value: Floats, bounds: Bounds) -> NDArray[np.bool_]:
    """Tell which values lie beyond bounds; NaN does not."""
    low = -np.inf if bounds.low is None else bounds.low
    high = np.inf if bounds.high is None else bounds.high
    return (value < low) | (value > high)


class _Runs(NamedTuple):
    """Where samples turn outside and back, as indices in order.

    dangers: outside, and not surely back before the dwell time is up.  starts: the first outside of each run.  returns:
    the first one back inside after a run.
    """

    dangers: NDArray[np.int64]
    starts: NDArray[np.int64]
    returns: NDArray[np.int64]

    @staticmethod
    def of(verdict: NDArray[np.int8], at_ms: Int64s, dwell_ms: int) -> _Runs:
        outside = np.flatnonzero(verdict == _OUTSIDE)
        back = np.flatnonzero((verdict == _INSIDE) | (verdict == _BARELY))
        place = np.searchsorted(back, outside)
        comes_back = place < len(back)
        last = np.append(back, len(verdict))[place] - 1
        dangers = outside[~comes_back | (at_ms[last] - at_ms[outside] >= dwell_ms)]
        turns = np.sort(np.concatenate([outside, back]))
        out = verdict[turns] == _OUTSIDE
        was_out = np.append(False, out[:-1])
        return _Runs(dangers, turns[out & ~was_out], turns[~out & was_out])


class _Figures(NamedTuple):
    """What a walk knows of the state after a sample, as it stands in `SensorState`.

    times: since, evidence, began, opened, returned (UTC ms).  guilty: as bits.
    """

    state: RoomState
    why: Why
    times: tuple[int | None, ...]
    guilty: int
    worst: Worst | None
    excess: Mapping[str, int]


class _Walk:
    """One sensor's way through samples that all come after what was judged."""

    def __init__(self, state: SensorState, samples: Samples, rule: Rule, calm: list[tuple[int, int]]) -> None:
        self._begun = state
        self._samples, self._rule, self._calm = samples, rule, calm
        self._columns = _columns(state, samples, rule)
        self._runs = _Runs.of(self._columns.verdict, samples.at_ms, rule.dwell_ms)
        self._names = list(rule.bounds)
        self._inside = np.flatnonzero(self._columns.verdict == _INSIDE)
        self._state, self._why = state.state, state.why
        self._since_ms, self._evidence_ms = state.since_ms, state.evidence_ms
        self._began_ms, self._opened_ms, self._returned_ms = state.began_ms, state.opened_ms, state.returned_ms
        self._guilty = sum(1 << self._names.index(name) for name in state.guilty if name in self._names)
        # A quantity that is no longer bound can be guilty still: then only readings outside are sure.
        self._unsure_for_good = any(name not in self._names for name in state.guilty)
        self._worst = state.worst
        self._excess = state.excess
        self._sums: list[NDArray[np.int64]] | None = None  # by bound quantity; made when something is outside

    def to_the_end(self, changes: list[Change]) -> SensorState:
        """Walk through all samples, note the changes, give the state after the last one."""
        index, count = 0, len(self._samples)
        while (index := self._passed_over(index, count)) < count:
            was, worst_was, since_ms = self._figures(), self._worst, self._since_ms
            self._judge(index)
            if was[0] is RoomState.WITHIN is not self._state and since_ms is not None:
                self._calm.append((since_ms, int(self._samples.at_ms[index])))
            active = self._state in ACTIVE
            if active is not (was[0] in ACTIVE) or (active and step_of(self._worst) > step_of(worst_was)):
                before, after = self._made(index - 1, was), self._made(index, self._figures())
                changes.append(Change(int(self._samples.at_ms[index]), before, after))
            index += 1
        return self._made(count - 1, self._figures())

    def _passed_over(self, index: int, count: int) -> int:
        """Pass over what cannot open or close anything; give the next sample to be judged."""
        if index < count and self._state is RoomState.WITHIN:
            end = _next(self._runs.dangers, index, count)
            self._stay_within(index, end)
            return end
        if index < count and self._state is RoomState.OUT:
            end = self._worse_before(index, _next(self._inside, index, count))
            self._stay_out(index, end)
            return end
        return index

    def _stay_within(self, index: int, end: int) -> None:
        """Take in samples whose drifts all come back before they count."""
        at_ms, verdict = self._samples.at_ms, self._columns.verdict
        starts, returns = (_between(found, index, end) for found in (self._runs.starts, self._runs.returns))
        if not len(returns):
            self._why = Why.INSIDE if verdict[index:end].any() else self._why
            return
        sinces = [self._since_ms, *at_ms[returns[:-1]].tolist()]
        spans = zip(sinces, at_ms[starts].tolist(), strict=True)
        self._calm += [(since, until) for since, until in list(spans)[-CALM_KEPT:] if since is not None]
        back = int(returns[-1])
        self._since_ms = int(at_ms[back])
        last_out = int(starts[-1]) + int(np.flatnonzero(verdict[starts[-1] : back] == _OUTSIDE)[-1])
        gap = at_ms[back] - at_ms[last_out] > self._rule.silent_ms
        self._why = Why.INSIDE if gap or verdict[back + 1 : end].any() else Why.CAME_BACK

    def _figures(self) -> _Figures:
        times = (self._since_ms, self._evidence_ms, self._began_ms, self._opened_ms, self._returned_ms)
        return _Figures(self._state, self._why, times, self._guilty, self._worst, self._excess)

    def _worse_before(self, index: int, end: int) -> int:
        """Give the first sample that takes the excursion a step further out, or `end`."""
        above = (step_of(self._worst) + 1) * WORSE_BY_MARGINS
        look = _FIRST_LOOK
        while index < end:
            until = min(end, index + look)
            found = np.flatnonzero(self._columns.share[index:until] >= above)
            if len(found):
                return index + int(found[0])
            index, look = until, look * 4
        return end

    def _stay_out(self, index: int, end: int) -> None:
        """Take in samples that leave an excursion as it is: still out, no step worse."""
        if end == index:
            return
        verdict = self._columns.verdict[index:end]
        outside = np.flatnonzero(verdict == _OUTSIDE)
        self._grow(index, end)
        if len(outside):
            self._evidence_ms = int(self._samples.at_ms[index + outside[-1]])
            self._guilty |= int(np.bitwise_or.reduce(self._columns.out[index:end]))
            self._worsen(index + int(np.argmax(self._columns.share[index:end])))
        spoken = np.flatnonzero(verdict)
        if len(spoken):
            self._why = Why.LASTED if verdict[spoken[-1]] == _OUTSIDE else Why.STILL_OUT

    def _worsen(self, index: int) -> None:
        share = float(self._columns.share[index])
        if self._worst is not None and self._worst.share >= share:
            return
        name = self._names[int(self._columns.quantity[index])]
        value = float(self._samples.values[name][index])
        low, high = self._rule.bounds[name].low, self._rule.bounds[name].high
        bound = low if low is not None and value < low else high
        assert bound is not None
        self._worst = Worst(name, bound, value, int(self._samples.at_ms[index]), share)

    def _grow(self, index: int, end: int) -> None:
        """Add what these samples end of the time outside, as `judge._grown` of each."""
        if self._sums is None:
            self._sums = [self._summed(number, name) for number, name in enumerate(self._names)]
        more = [sums.item(end) - sums.item(index) for sums in self._sums]
        if any(more):
            self._excess = with_excess(self._excess, dict(zip(self._names, more, strict=True)))

    def _summed(self, number: int, name: str) -> NDArray[np.int64]:
        """Give, for each sample, what all samples before it end of the time outside; one more for the end."""
        count = len(self._samples)
        sums = np.zeros(count + 1, dtype=np.int64)
        fresh = np.flatnonzero(self._columns.held_at[number] == np.arange(count))
        if not len(fresh):
            return sums
        bounds, value, at_ms = self._rule.bounds[name], self._samples.values[name], self._samples.at_ms
        held, heard_ms = self._begun.held.get(name, (float(value[fresh[0]]), int(at_ms[fresh[0]])))
        if not bounds.excess(held) and not (self._columns.out & (1 << number)).any():
            return sums
        if len(fresh) < count:
            value, at_ms = value[fresh], at_ms[fresh]
        steps, lasted_ms = _excess_steps(bounds, value), np.diff(at_ms, prepend=heard_ms)
        lasted_ms[lasted_ms > self._rule.silent_ms] = 0
        twice = steps.copy()
        twice[1:] += steps[:-1]
        twice[0] += excess_steps(bounds, held)
        twice *= lasted_ms
        if len(fresh) < count:
            sums[fresh + 1] = twice
            return np.cumsum(sums, out=sums)
        np.cumsum(twice, out=sums[1:])
        return sums

    def _judge(self, index: int) -> None:
        """Judge one sample: `judge._judged`, on this walk's own figures."""
        verdict = _VERDICTS[self._columns.verdict[index]]
        if verdict is None:
            return
        if self._state in ACTIVE and verdict is not Verdict.OUTSIDE:
            unheard = self._guilty & ~int(self._columns.known[index])
            verdict = Verdict.UNSURE if unheard or self._unsure_for_good else verdict
        at_ms = int(self._samples.at_ms[index])
        gap = self._evidence_ms is not None and at_ms - self._evidence_ms > self._rule.silent_ms
        start = BROKEN_BY_GAP.get(self._state, self._state) if gap else self._state
        was = self._state
        if start in COUNTING:
            self._grow(index, index + 1)
        self._state, self._why = STEPS[start, verdict]
        if start is not was and self._state is not RoomState.WITHIN:
            self._why = Why.GAP
        if self._state is not was or start is not was:
            self._enter(at_ms)
        if verdict is Verdict.OUTSIDE:
            self._evidence_ms = at_ms
            self._guilty |= int(self._columns.out[index])
            self._worsen(index)
        elif verdict is not Verdict.UNSURE and self._state is RoomState.RETURNING:
            self._evidence_ms = at_ms
        self._fulfil(verdict, at_ms)

    def _enter(self, at_ms: int) -> None:
        """Set what entering a state sets, as `judge._entered`."""
        self._since_ms = self._evidence_ms = at_ms
        if self._state is RoomState.DRIFTING:
            self._began_ms, self._opened_ms, self._worst = at_ms, None, None
            self._guilty, self._unsure_for_good, self._excess = 0, False, {}
        elif self._state is RoomState.RETURNING:
            self._returned_ms = at_ms
        elif self._state is RoomState.OUT:
            self._returned_ms = None
        else:
            self._evidence_ms = self._began_ms = self._opened_ms = self._returned_ms = self._worst = None
            self._guilty, self._unsure_for_good, self._excess = 0, False, {}

    def _fulfil(self, verdict: Verdict, at_ms: int) -> None:
        rule = self._rule
        drifted_ms = -1 if self._began_ms is None else at_ms - self._began_ms
        back_ms = -1 if self._returned_ms is None else at_ms - self._returned_ms
        if self._state is RoomState.DRIFTING and verdict is Verdict.OUTSIDE and drifted_ms >= rule.dwell_ms:
            self._state, self._why = RoomState.OUT, Why.LASTED
            self._since_ms = self._opened_ms = at_ms
        elif self._state is RoomState.RETURNING and verdict is Verdict.INSIDE and back_ms >= rule.return_ms:
            self._state, self._why = RoomState.WITHIN, Why.STAYED
            self._enter(at_ms)

    def _made(self, index: int, figures: _Figures) -> SensorState:
        """Make the state after the sample `index` (-1: before the first) of its figures then."""
        if index < 0:
            return self._begun
        state, why, (since_ms, evidence_ms, began_ms, opened_ms, returned_ms), guilty, worst, excess = figures
        held = dict(self._begun.held)
        for name, last in zip(self._names, self._columns.held_at, strict=True):
            if last[index] >= 0:
                held[name] = (float(self._samples.values[name][last[index]]), int(self._samples.at_ms[last[index]]))
        names = {name for number, name in enumerate(self._names) if guilty >> number & 1}
        return SensorState(
            state=state,
            why=why,
            since_ms=since_ms,
            last_ms=int(self._samples.at_ms[index]),
            held=held,
            evidence_ms=evidence_ms,
            began_ms=began_ms,
            opened_ms=opened_ms,
            returned_ms=returned_ms,
            guilty=tuple(name for name in ORDER if name in names),
            worst=worst,
            excess=excess,
        )


def _excess_steps(bounds: Bounds, value: Floats) -> NDArray[np.int64]:
    """Give `judge.excess_steps` of many values, none of them NaN."""
    low, high = (-np.inf if bounds.low is None else bounds.low), (np.inf if bounds.high is None else bounds.high)
    outside = value - np.clip(value, low, high)
    outside *= EXCESS_PER_UNIT
    return np.abs(np.rint(outside, out=outside), out=outside).astype(np.int64)


def _next(indices: NDArray[np.int64], index: int, count: int) -> int:
    """Give the first of these indices at or after `index`, or `count`."""
    place = np.searchsorted(indices, index)
    return int(indices[place]) if place < len(indices) else count


def _between(indices: NDArray[np.int64], first: int, end: int) -> NDArray[np.int64]:
    return indices[np.searchsorted(indices, first) : np.searchsorted(indices, end)]
