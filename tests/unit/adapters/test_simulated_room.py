"""The simulated room as an adapter: settings in words, instants on the clock, the same readings however it is run."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest

from adapters.contract import Adapter, Reading, SettingsError, Stamp
from adapters.registry import check_settings, load
from adapters.simulated_room import SimulatedRoom, SimulatedSensors
from ingest.clock import DrivenClock, FastClock

START_MS = 1_772_355_600_000  # 2026-03-01T09:00:00Z
START = "2026-03-01T09:00:00Z"
TRIP = {"event": "dehumidifier_trip", "after_h": 30, "for_h": 20}


def settings(**given: Any) -> dict[str, Any]:
    """Settings as the registry hands them over."""
    return check_settings(SimulatedRoom, {"sensor": "sim-air", **given})


async def take(adapter: SimulatedRoom, count: int) -> list[Reading]:
    """The first `count` readings."""
    got: list[Reading] = []
    source = adapter.readings()
    async for batch in source:
        got += batch
        if len(got) >= count:
            break
    await source.aclose()  # type: ignore[attr-defined]
    return got[:count]


async def live(adapter: SimulatedRoom, clock: DrivenClock, seconds: float, step_s: float) -> list[Reading]:
    """What comes while the clock is driven on in steps."""
    got: list[Reading] = []

    async def follow() -> None:
        async for batch in adapter.readings():
            got.extend(batch)

    task = asyncio.create_task(follow())
    for _ in range(round(seconds / step_s)):
        await clock.advance(step_s)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    return got


def history(given: Mapping[str, Any], until_ms: int) -> list[Reading]:
    """The same as columns, as the demonstration writes them, in the adapter's order."""
    sensors = SimulatedSensors(given, START_MS)
    at_ms = sensors.due(until_ms)
    columns = sensors.measure(at_ms)
    return [
        Reading(sensor, quantity, float(values[i]), int(at_ms[i]), Stamp.SENSOR)
        for i in range(len(at_ms))
        for (sensor, quantity), values in columns.items()
    ]


async def test_it_is_an_adapter_that_the_registry_knows() -> None:
    """The registry loads it by its kind, and it has what the supervisor needs."""
    loaded = load("simulated_room")
    assert loaded is SimulatedRoom
    adapter = loaded(settings(), DrivenClock())
    assert isinstance(adapter, Adapter)
    assert adapter.describe() == "simulated house, seed 1"


async def test_the_first_reading_comes_at_once() -> None:
    """Without a start the story begins now: the first temperature and humidity need no waiting."""
    clock = DrivenClock(START_MS)
    got = await asyncio.wait_for(take(SimulatedRoom(settings(), clock), 2), 5.0)
    assert [(r.sensor, r.quantity, r.at_ms) for r in got] == [
        ("sim-air", "temperature_c", START_MS),
        ("sim-air", "rh_percent", START_MS),
    ]
    assert all(r.stamp is Stamp.SENSOR for r in got)


async def test_readings_come_at_their_interval_and_not_before() -> None:
    """Driven through an hour at 300 s, thirteen instants are given, on whole intervals after the start."""
    clock = DrivenClock(START_MS)
    given = settings(interval_s=300, start=START, wood_sensor="sim-wood")
    got = await live(SimulatedRoom(given, clock), clock, 3600.0, 60.0)
    assert sorted({r.at_ms for r in got}) == [START_MS + k * 300_000 for k in range(13)]
    assert len(got) == 13 * 3
    assert {r.quantity for r in got if r.sensor == "sim-wood"} == {"wood_mc_percent"}


async def test_history_and_life_agree() -> None:
    """Written as a history or lived through on a driven clock, the same settings give the same readings, exactly."""
    given = settings(interval_s=600, start=START, events=[TRIP], wood_sensor="sim-wood", seed=5)
    clock = DrivenClock(START_MS)
    lived = await live(SimulatedRoom(given, clock), clock, 60 * 3600.0, 1700.0)
    written = history(given, lived[-1].at_ms)
    assert lived == written
    assert len(written) > 1000


async def test_it_goes_on_where_a_history_ended() -> None:
    """With the history's end state as `resume`, life goes on without a seam: nothing missing, nothing twice."""
    given = settings(interval_s=600, start=START, events=[TRIP])
    whole = history(given, START_MS + 60 * 3_600_000)
    sensors = SimulatedSensors(given, START_MS)
    seam_ms = START_MS + 40 * 3_600_000
    sensors.measure(sensors.due(seam_ms))
    resume = json.loads(json.dumps(sensors.resume()))
    clock = DrivenClock(seam_ms + 4_000_000)  # an hour and more passed before the adapter came up
    adapter = SimulatedRoom(given | {"resume": resume}, clock)
    lived = await live(adapter, clock, 18 * 3600.0, 3600.0)
    assert lived == [r for r in whole if seam_ms < r.at_ms <= lived[-1].at_ms]
    assert lived[-1].at_ms > seam_ms + 18 * 3_600_000


async def test_a_start_in_the_past_is_lived_through_silently() -> None:
    """Started ten days after its story began, it gives the newest instant first, with the value history has there."""
    given = settings(interval_s=600, start=START, events=[TRIP])
    now_ms = START_MS + 10 * 86_400_000 + 123_000
    got = await take(SimulatedRoom(given, DrivenClock(now_ms)), 2)
    assert got == [r for r in history(given, now_ms) if r.at_ms == START_MS + 10 * 86_400_000]


async def test_living_through_the_past_does_not_hold_up_the_loop() -> None:
    """While a hundred days are caught up with, other work gets its turn at least once per simulated day."""
    turns = 0

    async def count() -> None:
        nonlocal turns
        while True:
            turns += 1
            await asyncio.sleep(0)

    counting = asyncio.create_task(count())
    given = settings(interval_s=600, start=START)
    await take(SimulatedRoom(given, DrivenClock(START_MS + 100 * 86_400_000)), 2)
    counting.cancel()
    assert turns >= 100


async def test_a_backlog_comes_in_bounded_batches() -> None:
    """A sensor that kept a week of minutes hands it over in batches of at most 500 instants, in order."""
    sensors = SimulatedSensors(settings(start=START), START_MS)
    sensors.measure(sensors.due(START_MS))
    given = settings(start=START, resume=sensors.resume())
    adapter = SimulatedRoom(given, DrivenClock(START_MS + 7 * 86_400_000))
    sizes, instants = [], []
    async for batch in adapter.readings():
        sizes.append(len(batch))
        instants += [r.at_ms for r in batch if r.quantity == "rh_percent"]
        if len(instants) >= 7 * 1440:
            break
    assert max(sizes) == 1000
    assert np.all(np.diff(instants) == 60_000)


async def test_it_runs_fast_on_a_fast_clock() -> None:
    """On a clock 6000 times as fast, readings 60 s apart come 10 ms apart: twenty in well under five seconds."""
    clock = FastClock(START_MS, 6000.0)
    got = await asyncio.wait_for(take(SimulatedRoom(settings(start=START), clock), 40), 5.0)
    assert [r.at_ms for r in got[::2]] == [START_MS + k * 60_000 for k in range(20)]


def test_values_have_a_sensors_resolution_and_noise() -> None:
    """Air figures stand on hundredths, wood on tenths; neighbours differ by noise, not by nothing."""
    got = history(settings(start=START, wood_sensor="sim-wood"), START_MS + 86_400_000)
    for quantity, steps in (("temperature_c", 100), ("rh_percent", 100), ("wood_mc_percent", 10)):
        values = np.array([r.value for r in got if r.quantity == quantity])
        assert np.array_equal(values, np.round(values * steps) / steps)
    humidity = np.array([r.value for r in got if r.quantity == "rh_percent"])
    assert len(np.unique(humidity)) > 100


def test_events_count_from_the_start() -> None:
    """A trip after 30 hours leaves the first 30 hours as they were and the hours after it moister."""
    plain = history(settings(start=START, interval_s=600), START_MS + 48 * 3_600_000)
    tripped = history(settings(start=START, interval_s=600, events=[TRIP]), START_MS + 48 * 3_600_000)
    seam_ms = START_MS + 30 * 3_600_000
    assert [r for r in plain if r.at_ms <= seam_ms] == [r for r in tripped if r.at_ms <= seam_ms]
    assert tripped[-1].value > plain[-1].value + 3.0


@pytest.mark.parametrize(
    ("given", "where", "words"),
    [
        ({"sensor": "-nein"}, "sensor", "cannot be the id"),
        ({"wood_sensor": "sim-air"}, "wood_sensor", "both sensors have one id"),
        ({"start": "yesterday"}, "start", "not an instant"),
        ({"start": "2026-03-01T09:00:00"}, "start", "not an instant with its zone"),
        ({"events": ["window_open"]}, "events, number 1", "needs event, after_h and for_h"),
        ({"events": [TRIP, {"event": "window_open"}]}, "events, number 2", "needs event, after_h and for_h"),
        ({"events": [TRIP | {"colour": 1}]}, "events, number 1", "nothing else"),
        ({"events": [TRIP | {"event": "flood"}]}, "events, number 1", "no event 'flood'"),
        ({"events": [TRIP | {"for_h": 0}]}, "events, number 1, for_h", "last for some time"),
        ({"events": [TRIP | {"after_h": "soon"}]}, "events, number 1, after_h", "not a number"),
        ({"events": [TRIP | {"after_h": True}]}, "events, number 1, after_h", "not a number"),
        ({"events": [TRIP | {"kg": 3}]}, "events, number 1, kg", "wet trade"),
        ({"events": [TRIP | {"event": "wet_trade"}]}, "events, number 1, kg", "wet trade"),
    ],
)
def test_wrong_settings_are_told_with_place_and_mend(given: dict[str, Any], where: str, words: str) -> None:
    """Each mistake names the setting, what is wrong with it, and what to do."""
    with pytest.raises(SettingsError) as caught:
        SimulatedRoom(settings(**given), DrivenClock())
    assert caught.value.where == where
    assert words in caught.value.what
    assert caught.value.mend


@pytest.mark.parametrize(
    "given", [{"room_kind": "castle"}, {"interval_s": 0.5}, {"seed": -1}, {"weather": 3}, {"sensor": 5}]
)
def test_the_table_of_settings_refuses_the_rest(given: dict[str, Any]) -> None:
    """Unknown kinds of room, impossible intervals, unknown settings and wrong types stop at the registry."""
    with pytest.raises(SettingsError):
        settings(**given)


@pytest.mark.parametrize(
    "resume", [{"state": 3}, {"next_ms": 5}, {"next_ms": "x", "state": {}}, {"state": {"step": 1}}]
)
async def test_a_state_that_is_none_is_refused(resume: dict[str, Any]) -> None:
    """A broken `resume` is a mistake in the settings, told as one, not a crash."""
    adapter = SimulatedRoom(settings(start=START, resume=resume), DrivenClock(START_MS))
    with pytest.raises(SettingsError, match="not a state to continue from"):
        await take(adapter, 1)
