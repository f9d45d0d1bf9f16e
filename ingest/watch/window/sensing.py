"""One sensor judged along its room's plan of windows, from samples in columns. Reads the store, writes nothing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from ingest.site.incidents import RoomState
from ingest.site.places import Room, Sensor, Site
from ingest.site.series import SeriesKey
from ingest.store.api import SeriesReader, StoreReader
from ingest.watch.window.folding import Change, judge_series
from ingest.watch.window.judge import Rule, SensorState, Why, under_new_window
from ingest.watch.window.memory import Calm
from ingest.watch.window.plan import Plan, stretches
from ingest.watch.window.verdicts import Samples


class Scene(NamedTuple):
    """A room as it is judged.  air: its air sensors.  now_ms: our clock (UTC)."""

    read: StoreReader
    site: Site
    room: Room
    air: tuple[Sensor, ...]
    now_ms: int


def samples_between(read: SeriesReader, sensor: str, names: Sequence[str], from_ms: int, to_ms: int) -> Samples:
    """Read quantities of a sensor, from_ms <= instant < to_ms, as columns over all instants that have any of them.

    Temperature and RH are paired by the store's own derived series, here as everywhere.
    """
    series = {name: read.read(SeriesKey(sensor, name), from_ms, to_ms) for name in names}
    at_ms = np.unique(np.concatenate([one.at_ms for one in series.values()])) if series else np.empty(0, np.int64)
    values = {}
    for name, one in series.items():
        values[name] = np.full(len(at_ms), np.nan)
        values[name][np.searchsorted(at_ms, one.at_ms)] = one.value
    return Samples(at_ms, values)


def judge_planned(
    state: SensorState, samples: Samples, plan: Plan, offline_after_s: float, calm: list[Calm]
) -> tuple[SensorState, list[Change]]:
    """Judge samples by the window that held at each; as `folding.judge_series` otherwise."""
    changes: list[Change] = []
    for held, first, end in stretches(plan, samples.at_ms):
        if held.window is None:
            if state.active:
                changes.append(Change(max(held.from_ms, state.last_ms or held.from_ms), state, SensorState()))
            state = SensorState()
            continue
        if state.last_ms is not None and state.last_ms < held.from_ms:
            state = under_new_window(state, held.window)
        part = samples if end - first == len(samples) else samples.part(first, end)
        state, found = judge_series(state, part, Rule.of(held.window, offline_after_s), calm)
        changes += found
    return state, changes


def within_before(samples: Samples, before_ms: int, since_ms: int) -> tuple[SensorState, Samples]:
    """Take up a sensor that is known to have been within just before an instant.

    samples: reaching back before it as far as what was heard then is still fresh.  Gives its state just before the
    instant, and the samples from the instant on.
    """
    index = int(samples.at_ms.searchsorted(before_ms))
    held = {}
    for name, column in samples.values.items():
        heard = np.flatnonzero(np.isfinite(column[:index]))
        if len(heard):
            held[name] = (float(column[heard[-1]]), int(samples.at_ms[heard[-1]]))
    last_ms = int(samples.at_ms[index - 1]) if index else since_ms
    state = SensorState(RoomState.IN_RANGE, Why.INSIDE, since_ms=since_ms, last_ms=last_ms, held=held)
    return state, samples.part(index)
