"""The judge: its table is whole, its promises hold for any series and any cutting into batches."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.site.incidents import RoomState
from ingest.site.places import AcclimationWindow, Bounds
from ingest.watch.window.folding import CALM_KEPT, is_told, judge_series
from ingest.watch.window.judge import (
    ACTIVE,
    STEPS,
    Rule,
    Sample,
    SensorState,
    Verdict,
    Why,
    judge,
    narrowed,
    under_new_window,
)
from ingest.watch.window.memory import RoomMemory, from_json, to_json
from ingest.watch.window.verdicts import Samples

MINUTE_MS = 60_000
WINDOW = AcclimationWindow(
    Bounds(18.0, 24.0), Bounds(35.0, 55.0), Bounds(low=7.0), dwell_s=600, return_dwell_s=900, margin_rh_percent=2.0
)
RULE = Rule.of(WINDOW, offline_after_s=420)

# Values hug the bounds and margins, where mistakes live; None is a quantity that was not measured.
VALUES = {
    "temperature_c": [None, 17.9, 18.0, 18.4, 21.0, 23.8, 24.0, 24.1, 30.0],
    "rh_percent": [None, 20.0, 34.9, 35.0, 36.9, 45.0, 54.0, 55.0, 55.1, 70.0],
    "emc_percent": [None, 6.0, 6.9, 7.0, 7.1, 7.2, 8.0],
}


@st.composite
def series(draw: st.DrawFn) -> list[Sample]:
    """A sensor's life: runs of like samples, a few minutes apart, now and then a gap."""
    samples, at_ms = [], 1_795_600_800_000
    for _ in range(draw(st.integers(1, 9))):
        values = {name: draw(st.sampled_from(choices)) for name, choices in VALUES.items()}
        for _ in range(draw(st.integers(1, 25))):
            samples.append(Sample(at_ms, **values))
            at_ms += draw(st.sampled_from([1, 1, 1, 2, 7, 8])) * MINUTE_MS
    return samples


def fold(samples: list[Sample], rule: Rule = RULE) -> list[SensorState]:
    """Judge one after the other and give every state."""
    states, state = [], SensorState()
    for sample in samples:
        state, _ = judge(state, sample, rule)
        states.append(state)
    return states


def columns(samples: list[Sample]) -> Samples:
    values = {name: np.array([getattr(s, name) for s in samples], dtype=np.float64) for name in VALUES}
    return Samples(np.array([s.at_ms for s in samples], dtype=np.int64), values)


def test_the_table_answers_every_question() -> None:
    """For every state and verdict there is one step, and none leads back to knowing nothing."""
    assert set(STEPS) == set(itertools.product(RoomState, Verdict))
    unknowing = {key for key, (state, _) in STEPS.items() if state is RoomState.UNKNOWN}
    assert unknowing == {(RoomState.UNKNOWN, Verdict.UNSURE)}


def test_only_a_dwell_time_opens_and_only_a_return_time_closes() -> None:
    """No verdict by itself leads into an incident or out of one."""
    for (state, _), (after, _) in STEPS.items():
        assert (state in ACTIVE) == (after in ACTIVE)


@settings(max_examples=300, deadline=None)
@given(series(), st.integers(1, 300))
def test_passing_over_calm_stretches_changes_nothing(samples: list[Sample], at_once: int) -> None:
    """The quick way through a series gives the last state, each change and the calm stretches of the slow way."""
    slow = fold(samples)
    calm: list[tuple[int, int]] = []
    quick, changes = judge_series(SensorState(), columns(samples), RULE, calm, at_once=at_once)
    assert quick == slow[-1]
    steps = [(b, a) for b, a in itertools.pairwise([SensorState(), *slow]) if is_told(b, a)]
    expected = [(after.last_ms, bare(before), bare(after)) for before, after in steps]
    assert [(change.at_ms, bare(change.before), bare(change.after)) for change in changes] == expected
    turned = itertools.pairwise(slow)
    ended = [(b.since_ms, a.last_ms) for b, a in turned if b.state is RoomState.IN_RANGE is not a.state]
    assert calm[-CALM_KEPT:] == ended[-CALM_KEPT:]


def bare(state: SensorState) -> SensorState:
    return replace(state, before=None)


@settings(max_examples=150, deadline=None)
@given(series(), st.lists(st.integers(0, 200), max_size=6))
def test_any_cutting_into_batches_gives_the_same(samples: list[Sample], cuts: list[int]) -> None:
    """Cut anywhere, with the state put away as JSON in between, the outcome is that of one batch."""
    whole, in_one = judge_series(SensorState(), columns(samples), RULE)
    edges = sorted({0, len(samples), *(cut for cut in cuts if cut < len(samples))})
    state, in_many = SensorState(), []
    for start, end in itertools.pairwise(edges):
        state = from_json(to_json(RoomMemory(sensors={"a": state}))).sensors["a"]
        state, changes = judge_series(state, columns(samples[start:end]), RULE)
        in_many += [(c.at_ms, c.after.state, c.after.worst) for c in changes]
    assert in_many == [(c.at_ms, c.after.state, c.after.worst) for c in in_one]
    assert state == whole


@settings(max_examples=150, deadline=None)
@given(series())
def test_nothing_opens_before_its_time_and_nothing_opens_inside(samples: list[Sample]) -> None:
    """An opening has readings outside at both its ends, the dwell time between, and no silence too long in between."""
    before = SensorState()
    for index, state in enumerate(fold(samples)):
        if state.active and not before.active:
            assert state.began_ms is not None
            assert state.opened_ms == samples[index].at_ms
            assert state.opened_ms - state.began_ms >= RULE.dwell_ms
            stretch = [s for s in samples[: index + 1] if s.at_ms >= state.began_ms]
            outside = [s.at_ms for s in stretch if is_outside(s)]
            assert outside[0] == state.began_ms
            assert outside[-1] == state.opened_ms
            assert max(b - a for a, b in itertools.pairwise(outside)) <= RULE.silent_ms
            assert not any(is_full(s) and not is_outside(s) for s in stretch)
        before = state


@settings(max_examples=150, deadline=None)
@given(series())
def test_nothing_closes_while_outside_and_not_before_its_time(samples: list[Sample]) -> None:
    """A closing has the return time behind it without one reading outside, and is itself inside by the margin."""
    before = SensorState()
    for index, state in enumerate(fold(samples)):
        if before.active and not state.active:
            returned_ms = before.returned_ms
            assert returned_ms is not None
            assert samples[index].at_ms - returned_ms >= RULE.return_ms
            assert not any(is_outside(s) for s in samples[: index + 1] if s.at_ms >= returned_ms)
            for name, bounds in RULE.narrowed.items():
                value = getattr(samples[index], name)
                assert value is None or not bounds.excess(value)
        before = state


@settings(max_examples=100, deadline=None)
@given(series(), st.data())
def test_two_halves_of_one_instant_are_one_sample(samples: list[Sample], data: st.DataObject) -> None:
    """A sample whose temperature came in one batch and the rest in the next is judged as if it came whole."""
    at = data.draw(st.integers(0, len(samples) - 1))
    state = SensorState()
    for sample in samples[:at]:
        state, _ = judge(state, sample, RULE)
    whole, _ = judge(state, samples[at], RULE)
    half, _ = judge(state, Sample(samples[at].at_ms, samples[at].temperature_c), RULE)
    joined, _ = judge(half, samples[at], RULE)
    assert joined == whole


def is_outside(sample: Sample) -> bool:
    values = {name: getattr(sample, name) for name in RULE.bounds}
    return any(value is not None and RULE.bounds[name].excess(value) for name, value in values.items())


def is_full(sample: Sample) -> bool:
    return None not in sample


def test_an_older_sample_is_an_error() -> None:
    """The judge goes forward only; what is late is for whoever judges again."""
    state, _ = judge(SensorState(), Sample(2000, 21.0, 45.0, 8.0), RULE)
    with pytest.raises(ValueError, match="older"):
        judge(state, Sample(1000, 21.0, 45.0, 8.0), RULE)


def test_the_reason_of_each_step_is_given() -> None:
    """Along one excursion, every change of state comes with its reason in words."""
    rule = Rule.of(AcclimationWindow(rh_percent=Bounds(35.0, 55.0), dwell_s=120, return_dwell_s=120), 600)
    values = [45, 60, 45, 60, 60, 60, 54.5, 45, 60, 45, 45, 45]
    states = fold([Sample(minute * MINUTE_MS, rh_percent=value) for minute, value in enumerate(values)], rule)
    assert [state.why for state in states] == [
        Why.INSIDE, Why.LEFT, Why.CAME_BACK, Why.LEFT, Why.LEFT, Why.LASTED, Why.STILL_OUT, Why.RETURNED,
        Why.LEFT_AGAIN, Why.RETURNED, Why.RETURNED, Why.STAYED,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("bounds", "margin", "expected"),
    [
        (Bounds(35.0, 55.0), 1.0, Bounds(36.0, 54.0)),
        (Bounds(44.0, 46.0), 1.0, Bounds(44.5, 45.5)),
        (Bounds(low=35.0), 1.0, Bounds(low=36.0)),
        (Bounds(high=55.0), 0.0, Bounds(high=55.0)),
    ],
)
def test_margins_leave_half_of_a_narrow_window(bounds: Bounds, margin: float, expected: Bounds) -> None:
    """A margin takes at most a quarter of the width on either side."""
    assert narrowed(bounds, margin) == expected


def test_a_changed_window_starts_drifts_anew_and_keeps_incidents() -> None:
    """A drift under the old window does not count under the new one; an open incident is judged by the new bounds."""
    leaving = fold([Sample(minute * MINUTE_MS, 21.0, 60.0, 8.0) for minute in range(9)])[-1]
    carried = under_new_window(leaving, WINDOW)
    assert carried.state is RoomState.UNKNOWN
    again, _ = judge(carried, Sample(10 * MINUTE_MS, 21.0, 60.0, 8.0), RULE)
    assert (again.state, again.began_ms) == (RoomState.LEAVING_RANGE, 10 * MINUTE_MS)
    out = fold([Sample(minute * MINUTE_MS, 21.0, 60.0, 8.0) for minute in range(12)])[-1]
    wider = AcclimationWindow(rh_percent=Bounds(35.0, 65.0))
    carried = under_new_window(out, wider)
    assert (carried.state, carried.why) == (RoomState.OUT_OF_RANGE, Why.NEW_WINDOW)
    back, _ = judge(carried, Sample(12 * MINUTE_MS, 21.0, 60.0, 8.0), Rule.of(wider, 420))
    assert back.state is RoomState.RECOVERING
