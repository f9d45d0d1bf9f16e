"""What acts on a simulated room, a day at a time: weather, thermostat, people, and the troubles that befall it.

Whole days are made at once and in one way only, so that no rounding depends on who asks for what.
"""

from __future__ import annotations

import functools
from typing import Final, NamedTuple

import numpy as np

from adapters.room_chance import Floats, Int64s, uniform
from adapters.room_kinds import People, RoomKind
from adapters.room_tables import PRESSURE_KPA
from adapters.room_weather import Climate, Outdoors, outdoors
from ingest.physics import air

STEP_MS: Final = 60_000
STEPS_PER_DAY: Final = 1440

TROUBLES: Final = ("window_open", "dehumidifier_trip", "heating_off", "wet_trade")
"""What can befall a room: a window left open, a dehumidifier or the heating that stops, water brought in by trades."""

_PEOPLE_STREAM: Final = 300


class Trouble(NamedTuple):
    """Something that befalls a room from one instant (UTC, ms) to another.  kg: water brought in by a wet trade."""

    what: str  # one of TROUBLES
    from_ms: int
    to_ms: int
    kg: float = 0.0


class Minute(NamedTuple):
    """What acts on the room during one step."""

    outdoor_c: float
    outdoor_ratio: float  # kg water per kg dry air
    sun_w_m2: float
    people: float
    set_c: float  # the thermostat's; far below freezing where there is no heating or it is off
    window: bool
    tripped: bool
    wet_kg_s: float


def minutes_of_day(
    kind: RoomKind, seed: int, weather_seed: int, troubles: tuple[Trouble, ...], day: int
) -> list[Minute]:
    """Give what acts on a room of that kind in each minute of a day (days since 1970, UTC)."""
    weather = _weather_of_day(weather_seed, day)
    at_ms = _instants_of_day(day)
    hour = (at_ms % 86_400_000) / 3_600_000.0
    set_c = np.full(STEPS_PER_DAY, -100.0)
    if kind.heating is not None:
        by_day = (hour >= kind.heating.day_hours[0]) & (hour < kind.heating.day_hours[1])
        set_c = np.where(by_day, kind.heating.day_c, kind.heating.night_c)
    active = {what: np.zeros(STEPS_PER_DAY) for what in TROUBLES}
    for trouble in troubles:
        during = (at_ms >= trouble.from_ms) & (at_ms < trouble.to_ms)
        length_s = (trouble.to_ms - trouble.from_ms) / 1000.0
        active[trouble.what] += during * (trouble.kg / length_s if trouble.what == "wet_trade" else 1.0)
    columns = (
        weather.temperature_c,
        0.001 * np.asarray(air.humidity_ratio_g_kg(weather.dew_point_c, np.full(STEPS_PER_DAY, 100.0), PRESSURE_KPA)),
        weather.sun_w_m2,
        _people(kind.people, seed, day, hour),
        np.where(active["heating_off"] > 0.0, -100.0, set_c),
        active["window_open"] > 0.0,
        active["dehumidifier_trip"] > 0.0,
        active["wet_trade"],
    )
    return [Minute(*values) for values in zip(*(column.tolist() for column in columns), strict=True)]


@functools.lru_cache(maxsize=8)
def _weather_of_day(weather_seed: int, day: int) -> Outdoors:
    return outdoors(Climate(), weather_seed, _instants_of_day(day))


def _instants_of_day(day: int) -> Int64s:
    return (day * STEPS_PER_DAY + np.arange(STEPS_PER_DAY, dtype=np.int64)) * STEP_MS


def _people(people: People | None, seed: int, day: int, hour: Floats) -> Floats:
    """Give how many are in the room at each hour of that day; 1970-01-01 was a Thursday."""
    present = np.zeros(STEPS_PER_DAY)
    if people is None or ((day + 3) % 7 >= 5 and not people.weekends):
        return present
    for person in range(people.count):
        absent, early, late = uniform(seed, _PEOPLE_STREAM + person, 3 * day + np.arange(3, dtype=np.int64))
        if absent > 0.05:
            present += (hour >= people.hours[0] + early - 0.5) & (hour < people.hours[1] + late - 0.5)
    return present
