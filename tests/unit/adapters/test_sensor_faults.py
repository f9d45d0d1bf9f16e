"""Faults of simulated sensors do what they say, when they say, and nothing else."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract import QUANTITIES, Reading, SettingsError, Stamp
from adapters.registry import check_settings
from adapters.sensor_faults import FAULTS, MS_PER_HOUR, SensorFaults, faults_of
from adapters.simulated_room import SimulatedRoom
from ingest.clock import FastClock

MINUTE_MS = 60_000
SOUND = [
    Reading("s", quantity, value + minute / 100, minute * MINUTE_MS, Stamp.SENSOR)
    for minute in range(600)
    for quantity, value in (("temperature_c", 20.0), ("rh_percent", 45.0))
]


def faulty(**entry: Any) -> list[Reading]:
    """Give ten hours of readings, the fault from the second hour for three."""
    given = {"after_h": 2, "for_h": 3} | entry
    return SensorFaults(faults_of([given], 0), 1).apply(SOUND)


def within(reading: Reading) -> bool:
    """Say whether a reading is of the faulty hours."""
    return 2 * MS_PER_HOUR <= reading.at_ms < 5 * MS_PER_HOUR


def test_drop_outs_leave_a_gap_and_nothing_else() -> None:
    """All of it, or a share of it, is missing; outside of its hours nothing is."""
    assert faulty(fault="drop_out") == [reading for reading in SOUND if not within(reading)]
    some = faulty(fault="drop_out", share=0.5)
    assert 0.4 < sum(map(within, some)) / sum(map(within, SOUND)) < 0.6
    assert [r for r in some if not within(r)] == [r for r in SOUND if not within(r)]


def test_a_stuck_sensor_stays_at_one_value_of_the_quantity_named() -> None:
    """Humidity stands still for three hours, temperature goes on."""
    found = faulty(fault="stuck", quantity="rh_percent")
    assert {r.value for r in found if within(r) and r.quantity == "rh_percent"} == {46.2}
    assert [r for r in found if r.quantity == "temperature_c"] == [r for r in SOUND if r.quantity == "temperature_c"]


def test_spikes_are_few_and_far() -> None:
    """One in twenty is off by as much as was said, the others are untouched."""
    changed = [abs(a.value - b.value) for a, b in zip(faulty(fault="spikes", by=30.0), SOUND, strict=True) if a != b]
    assert 5 <= len(changed) <= 35
    assert all(by == pytest.approx(30.0) for by in changed)


def test_drift_grows_with_time() -> None:
    """Eight a day is one after three hours."""
    last = [r for r in faulty(fault="drift", by=8.0) if within(r)][-1]
    assert last.value - 45.0 - 299 / 100 == pytest.approx(8.0 * 179 / 1440)


def test_a_clock_error_moves_the_instants() -> None:
    """By as many seconds as was said."""
    assert [r.at_ms for r in faulty(fault="clock_error", by=-90)][240:242] == [120 * MINUTE_MS - 90_000] * 2


def test_a_flat_battery_falls_to_nothing_and_then_there_is_silence() -> None:
    """From 100 % at its beginning to 0 at its end, told once a minute; after that the sensor is not heard."""
    found = faulty(fault="flat_battery")
    battery = [r.value for r in found if r.quantity == "battery_percent"]
    assert (battery[0], battery[-1], len(battery)) == (100.0, 1.0, 180)
    assert battery == sorted(battery, reverse=True)
    assert max(r.at_ms for r in found) < 5 * MS_PER_HOUR


@given(st.sampled_from(sorted(FAULTS)), st.floats(-1e5, 1e5), st.integers(0, 2**40))
def test_faulty_readings_are_still_readings(fault: str, by: float, seed: int) -> None:
    """Whatever is asked for, values stay within what can be true, and the same seed gives the same."""
    entry = {"fault": fault, "after_h": 0, "for_h": 10} | ({"by": by} if FAULTS[fault].by is not None else {})
    first, second = (SensorFaults(faults_of([entry], 0), seed).apply(SOUND[:40]) for _ in range(2))
    assert first == second
    for reading in first:
        assert QUANTITIES[reading.quantity].minimum <= reading.value <= QUANTITIES[reading.quantity].maximum


async def test_the_simulated_room_has_them() -> None:
    """An adapter with a drop-out from its first hour on gives readings before it and none in it."""
    settings = {"sensor": "loft", "interval_s": 600.0, "faults": [{"fault": "drop_out", "after_h": 1, "for_h": 2}]}
    room = SimulatedRoom(check_settings(SimulatedRoom, settings), FastClock(1_764_064_800_000, 100_000.0))
    instants: set[int] = set()
    batches = room.readings()
    async for batch in batches:
        instants |= {(reading.at_ms - 1_764_064_800_000) // MINUTE_MS for reading in batch}
        if instants and max(instants) > 240:
            break
    await batches.aclose()  # type: ignore[attr-defined]
    assert not instants & set(range(60, 180))
    assert {0, 10, 50, 180, 190} <= instants


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ({"fault": "stuck"}, "a fault needs fault, after_h and for_h"),
        ({"fault": "moody", "after_h": 0, "for_h": 1}, "there is no fault 'moody'"),
        ({"fault": "stuck", "after_h": 0, "for_h": 1, "by": 3}, "a fault stuck has no by"),
        ({"fault": "stuck", "after_h": 0, "for_h": 0}, "0 makes no sense here"),
        ({"fault": "stuck", "after_h": "x", "for_h": 1}, "'x' is no number"),
        ({"fault": "stuck", "after_h": 0, "for_h": 1, "quantity": "mood"}, "'mood' is no quantity"),
    ],
)
def test_faults_that_cannot_be_say_so(entry: dict[str, Any], message: str) -> None:
    """Told with the entry's number, before anything runs."""
    with pytest.raises(SettingsError, match=message) as caught:
        faults_of([entry], 0)
    assert caught.value.where.startswith("faults, number 1")
