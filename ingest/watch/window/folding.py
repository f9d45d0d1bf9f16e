"""Judging a whole series at once: the same outcome as `judge.judge` sample by sample, a hundred times as fast. Pure.

What each sample says (its verdict) is computed for all samples together. Then a walk goes from one sample that can
change the state to the next: inside, only a reading outside matters; out, only one that is back inside by the margin,
or one that is worse by a step. A property test holds the walk to the plain judge, sample by sample.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np

from ingest.site.incidents import RoomState
from ingest.site.series import Int64s
from ingest.watch.window.judge import (
    ACTIVE,
    BROKEN_BY_GAP,
    COUNTING,
    ORDER,
    STEPS,
    Rule,
    Sample,
    SensorState,
    Verdict,
    Why,
    Worst,
    judge,
    with_excess,
)
from ingest.watch.window.verdicts import INSIDE, OUTSIDE, VERDICTS, Runs, Samples, columns_of, summed

WORSE_BY_MARGINS: Final = 0.25
"""An open incident is written anew when its worst value has passed another such share of a margin."""

CALM_KEPT: Final = 32
AT_ONCE: Final = 32_768
"""So many samples are looked at together: that all of their columns fit into a processor's cache makes it faster."""

_FIRST_LOOK: Final = 64


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
    state: SensorState,
    samples: Samples,
    rule: Rule,
    calm: list[tuple[int, int]] | None = None,
    *,
    at_once: int = AT_ONCE,
) -> tuple[SensorState, list[Change]]:
    """Judge samples one after the other and give the last state, and each change on the way.

    The same as folding `judge` over the samples.  calm: takes the stretches within that came to an end (since when, and
    the sample that ended it), the last `CALM_KEPT` of them at least.  at_once: how many samples to look at together;
    the outcome is the same.
    Raises ValueError where the first sample is older than what was judged.
    """
    changes: list[Change] = []
    calm = [] if calm is None else calm
    count = len(samples)
    first = min(count, 1)
    if first:
        state = _plainly(state, samples.sample(0), rule, changes, calm)
    for begin in range(first, count - 1, at_once):
        part = samples.part(begin, min(begin + at_once, count - 1))
        state = _Walk(state, part, rule, calm).to_the_end(changes)
    if count > 1:
        # The last sample is judged plainly, so that the state remembers what it was before it.
        state = _plainly(state, samples.sample(count - 1), rule, changes, calm)
    return state, changes


def _plainly(
    state: SensorState, sample: Sample, rule: Rule, changes: list[Change], calm: list[tuple[int, int]]
) -> SensorState:
    after, _ = judge(state, sample, rule)
    if state.state is RoomState.IN_RANGE is not after.state and state.since_ms is not None:
        calm.append((state.since_ms, sample.at_ms))
    if is_told(state, after):
        changes.append(Change(sample.at_ms, state, after))
    return after


class _Figures(NamedTuple):
    """What a walk knows of the state after a sample, as it stands in `SensorState`.

    times: since, evidence, began, opened, returned (UTC ms).  guilty: as bits.  spent, counted_from: see `_Walk`.
    """

    state: RoomState
    why: Why
    times: tuple[int | None, ...]
    guilty: int
    worst: Worst | None
    spent: Mapping[str, int]
    counted_from: int | None


class _Walk:
    """One sensor's way through samples that all come after what was judged.

    What was outside is summed up as `_spent` and, while that counts, all samples from `_counted_from` on.
    """

    def __init__(self, state: SensorState, samples: Samples, rule: Rule, calm: list[tuple[int, int]]) -> None:
        self._begun = state
        self._samples, self._rule, self._calm = samples, rule, calm
        self._columns = columns_of(state, samples, rule)
        self._runs = Runs.of(self._columns, samples.at_ms, rule)
        self._names = list(rule.bounds)
        self._ordered = [(name, 1 << self._names.index(name)) for name in ORDER if name in rule.bounds]
        self._inside = np.flatnonzero(self._columns.verdict == INSIDE)
        self._state, self._why = state.state, state.why
        self._since_ms, self._evidence_ms = state.since_ms, state.evidence_ms
        self._began_ms, self._opened_ms, self._returned_ms = state.began_ms, state.opened_ms, state.returned_ms
        self._guilty = sum(bit for name, bit in self._ordered if name in state.guilty)
        # A quantity that is no longer bound can be guilty still: then only readings outside are sure.
        self._unsure_for_good = any(name not in self._names for name in state.guilty)
        self._worst = state.worst
        self._spent = state.excess
        self._counted_from = 0 if state.state in COUNTING else None
        self._sums: list[Int64s] | None = None  # by bound quantity; made when they are asked for

    def to_the_end(self, changes: list[Change]) -> SensorState:
        """Walk through all samples, note the changes, give the state after the last one."""
        index, count = 0, len(self._samples)
        while (index := self._passed_over(index, count)) < count:
            was = self._figures()
            self._judge(index)
            if was.state is RoomState.IN_RANGE is not self._state and was.times[0] is not None:
                self._calm.append((was.times[0], int(self._samples.at_ms[index])))
            active = self._state in ACTIVE
            if active is not (was.state in ACTIVE) or (active and step_of(self._worst) > step_of(was.worst)):
                before, after = self._made(index - 1, was), self._made(index, self._figures())
                changes.append(Change(int(self._samples.at_ms[index]), before, after))
            index += 1
        return self._made(count - 1, self._figures())

    def _passed_over(self, index: int, count: int) -> int:
        """Pass over what cannot open or close anything; give the next sample to be judged."""
        if index == count:
            return count
        if self._state is RoomState.IN_RANGE:
            end = _next(self._runs.dangers, index, count)
            self._stay_within(index, end)
            return end
        if self._state is RoomState.OUT_OF_RANGE:
            end = self._worse_before(index, _next(self._inside, index, count))
            self._stay_out(index, end)
            return end
        if self._goes_on(index):
            return (
                self._drifted_on(index, count)
                if self._state is RoomState.LEAVING_RANGE
                else self._stayed_back(index, count)
            )
        return index

    def _goes_on(self, index: int) -> bool:
        """Tell whether a drift or a return goes on with this sample unbroken, whatever that says."""
        at_ms, is_sure = int(self._samples.at_ms[index]), not self._unsure_for_good
        heard = self._evidence_ms is not None and at_ms - self._evidence_ms <= self._rule.silent_ms
        return heard and is_sure and self._state in COUNTING

    def _drifted_on(self, index: int, count: int) -> int:
        """Take in samples that are all outside, for less than the dwell time; give the next to be judged."""
        assert self._began_ms is not None
        runs, first_back = self._runs, index
        if self._columns.verdict[index] == OUTSIDE:
            first_back = min(_next(runs.returns, index, count), _next(runs.odd, index, count))
        end = min(first_back, int(self._samples.at_ms.searchsorted(self._began_ms + self._rule.dwell_ms)))
        if end <= index:
            return index
        self._take_in_outside(index, end, int(self._samples.at_ms[end - 1]))
        self._why = Why.LEFT
        return end

    def _stayed_back(self, index: int, count: int) -> int:
        """Take in samples that are all inside, for less than the return time; give the next to be judged."""
        assert self._returned_ms is not None
        first_out = min(_next(self._runs.starts, index, count), _next(self._runs.odd, index, count))
        end = min(first_out, int(self._samples.at_ms.searchsorted(self._returned_ms + self._rule.return_ms)))
        if end <= index:
            return index
        self._evidence_ms = int(self._samples.at_ms[end - 1])
        self._why = Why.RETURNED
        return end

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
        last_out = int(starts[-1]) + int(np.flatnonzero(verdict[starts[-1] : back] == OUTSIDE)[-1])
        gap = at_ms[back] - at_ms[last_out] > self._rule.silent_ms
        self._why = Why.INSIDE if gap or verdict[back + 1 : end].any() else Why.CAME_BACK

    def _figures(self) -> _Figures:
        times = (self._since_ms, self._evidence_ms, self._began_ms, self._opened_ms, self._returned_ms)
        return _Figures(self._state, self._why, times, self._guilty, self._worst, self._spent, self._counted_from)

    def _worse_before(self, index: int, end: int) -> int:
        """Give the first sample that takes the excursion a step further out, or `end`."""
        above = (step_of(self._worst) + 1) * WORSE_BY_MARGINS
        look = _FIRST_LOOK
        while index < end:
            until = min(end, index + look)
            is_worse = self._columns.share[index:until] >= above
            found = int(is_worse.argmax())
            if is_worse[found]:
                return index + found
            index, look = until, look * 4
        return end

    def _stay_out(self, index: int, end: int) -> None:
        """Take in samples that leave an excursion as it is: still out, no step worse."""
        verdict = self._columns.verdict[index:end]
        spoken = np.flatnonzero(verdict)
        if not len(spoken):
            return
        outside = np.flatnonzero(verdict == OUTSIDE)
        if len(outside):
            self._take_in_outside(index, end, int(self._samples.at_ms[index + outside[-1]]))
        self._why = Why.LASTED if verdict[spoken[-1]] == OUTSIDE else Why.STILL_OUT

    def _take_in_outside(self, index: int, end: int, last_ms: int) -> None:
        """Take in samples some of which are outside, the last of them at `last_ms`."""
        self._evidence_ms = last_ms
        self._guilty |= int(np.bitwise_or.reduce(self._columns.out[index:end]))
        self._worsen(index + int(self._columns.share[index:end].argmax()))

    def _worsen(self, index: int) -> None:
        share = float(self._columns.share[index])
        if self._worst is not None and self._worst.share >= share:
            return
        rule = self._rule
        shares = [
            column[index] / rule.weights[name] for name, column in zip(self._names, self._columns.excess, strict=True)
        ]
        name = self._names[shares.index(max(shares))]
        value = float(self._samples.values[name][index])
        low, high = rule.bounds[name].low, rule.bounds[name].high
        bound = low if low is not None and value < low else high
        assert bound is not None
        self._worst = Worst(name, bound, value, int(self._samples.at_ms[index]), share)

    def _judge(self, index: int) -> None:
        """Judge one sample: `judge._judged`, on this walk's own figures."""
        verdict = VERDICTS[self._columns.verdict[index]]
        if verdict is None:
            return
        if self._state in ACTIVE and verdict is not Verdict.OUTSIDE:
            unheard = self._guilty & ~int(self._columns.known[index])
            verdict = Verdict.UNSURE if unheard or self._unsure_for_good else verdict
        at_ms = int(self._samples.at_ms[index])
        gap = self._evidence_ms is not None and at_ms - self._evidence_ms > self._rule.silent_ms
        start = BROKEN_BY_GAP.get(self._state, self._state) if gap else self._state
        was = self._state
        self._state, self._why = STEPS[start, verdict]
        if start is not was and self._state is not RoomState.IN_RANGE:
            self._why = Why.GAP
        if self._state is not was or start is not was:
            self._enter(index)
        if verdict is Verdict.OUTSIDE:
            self._evidence_ms = at_ms
            self._guilty |= int(self._columns.out[index])
            self._worsen(index)
        elif verdict is not Verdict.UNSURE and self._state is RoomState.RECOVERING:
            self._evidence_ms = at_ms
        self._fulfil(verdict, index)

    def _enter(self, index: int) -> None:
        """Set what entering a state sets, as `judge._entered`."""
        at_ms = int(self._samples.at_ms[index])
        self._since_ms = self._evidence_ms = at_ms
        if self._state is RoomState.RECOVERING:
            self._returned_ms = at_ms
        elif self._state is RoomState.OUT_OF_RANGE:
            self._returned_ms = None
        else:
            is_drifting = self._state is RoomState.LEAVING_RANGE
            self._opened_ms = self._worst = None
            self._guilty, self._unsure_for_good, self._spent = 0, False, {}
            self._counted_from = index + 1 if is_drifting else None
            if is_drifting:
                self._began_ms = at_ms
            else:
                self._evidence_ms = self._began_ms = self._returned_ms = None

    def _fulfil(self, verdict: Verdict, index: int) -> None:
        rule, at_ms = self._rule, int(self._samples.at_ms[index])
        drifted_ms = -1 if self._began_ms is None else at_ms - self._began_ms
        back_ms = -1 if self._returned_ms is None else at_ms - self._returned_ms
        if self._state is RoomState.LEAVING_RANGE and verdict is Verdict.OUTSIDE and drifted_ms >= rule.dwell_ms:
            self._state, self._why = RoomState.OUT_OF_RANGE, Why.LASTED
            self._since_ms = self._opened_ms = at_ms
        elif self._state is RoomState.RECOVERING and verdict is Verdict.INSIDE and back_ms >= rule.return_ms:
            self._state, self._why = RoomState.IN_RANGE, Why.STAYED
            self._enter(index)

    def _excess(self, index: int, figures: _Figures) -> Mapping[str, int]:
        """Give what the time outside has summed up to with the sample `index`."""
        if figures.counted_from is None:
            return figures.spent
        if self._sums is None:
            self._sums = summed(self._begun, self._samples, self._rule, self._columns)
        more = [sums.item(index + 1) - sums.item(figures.counted_from) for sums in self._sums]
        return with_excess(figures.spent, dict(zip(self._names, more, strict=True)))

    def _made(self, index: int, figures: _Figures) -> SensorState:
        """Make the state after the sample `index` (-1: before the first) of its figures then."""
        if index < 0:
            return self._begun
        at_ms, values = self._samples.at_ms, self._samples.values
        since_ms, evidence_ms, began_ms, opened_ms, returned_ms = figures.times
        held = dict(self._begun.held)
        for name, held_at in zip(self._names, self._columns.held_at, strict=True):
            last = index if held_at is None else held_at.item(index)
            if last >= 0:
                held[name] = (values[name].item(last), at_ms.item(last))
        return SensorState(
            state=figures.state,
            why=figures.why,
            since_ms=since_ms,
            last_ms=at_ms.item(index),
            held=held,
            evidence_ms=evidence_ms,
            began_ms=began_ms,
            opened_ms=opened_ms,
            returned_ms=returned_ms,
            guilty=tuple(name for name, bit in self._ordered if figures.guilty & bit),
            worst=figures.worst,
            excess=self._excess(index, figures),
        )


def _next(indices: Int64s, index: int, count: int) -> int:
    """Give the first of these indices at or after `index`, or `count`."""
    place = indices.searchsorted(index)
    return indices.item(place) if place < len(indices) else count


def _between(indices: Int64s, first: int, end: int) -> Int64s:
    return indices[indices.searchsorted(first) : indices.searchsorted(end)]
