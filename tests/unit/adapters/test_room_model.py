"""The simulated room's physics: balances close, known cases come out as computed by hand, and rooms behave like rooms.

What is compared with the outside: the sun with pvlib (Haurwitz clear sky, declination), steady and decaying humidity
with the textbook mass balance of a ventilated room, psychrometrics with `ingest.physics` (which has its references).
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
from collections.abc import Sequence

import numpy as np
import pytest
from pvlib import clearsky, solarposition

from adapters.room_chance import normal, smooth, uniform
from adapters.room_days import Trouble
from adapters.room_kinds import ROOM_KINDS, Drier, Heating, RoomKind, Wood
from adapters.room_model import Room, heat_j, restored, snapshot, water_kg
from adapters.room_tables import PRESSURE_KPA, VAPOUR_RATIO, emc_and_slope, humidity_percent, saturation_ratio
from adapters.room_weather import Climate, outdoors, sun_w_m2
from ingest.physics import air, wood

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
JANUARY = int(dt.datetime(2026, 1, 12, tzinfo=dt.UTC).timestamp() * 1000)
JULY = int(dt.datetime(2026, 7, 6, tzinfo=dt.UTC).timestamp() * 1000)

NO_WOOD = Wood(mass_kg=1e-6, mc_percent=10.0)


def make(kind: str | RoomKind, *, start_ms: int = JANUARY, troubles: Sequence[Trouble] = (), seed: int = 1) -> Room:
    """A room of one of the shipped kinds, or of one made up for the test."""
    build = ROOM_KINDS[kind] if isinstance(kind, str) else kind
    return Room(build, seed=seed, weather_seed=1, start_ms=start_ms, troubles=troubles)


def every(start_ms: int, hours: float, step_ms: int = 600_000) -> np.ndarray:
    """Instants from the start on."""
    return start_ms + np.arange(0, round(hours * HOUR_MS), step_ms, dtype=np.int64)


# Chance


def test_chance_is_a_function_of_its_index() -> None:
    """The same seed, stream and index give the same numbers whether asked at once or one by one."""
    index = np.arange(-50, 5000, dtype=np.int64)
    at_once = normal(7, 3, index)
    one_by_one = np.concatenate([normal(7, 3, index[i : i + 1]) for i in range(len(index))])
    assert np.array_equal(at_once, one_by_one)
    assert not np.array_equal(at_once, normal(8, 3, index))
    assert not np.array_equal(at_once, normal(7, 4, index))


def test_chance_is_spread_as_it_says() -> None:
    """Uniform numbers fill (0, 1) evenly; normal ones have mean 0 and deviation 1, also between the nodes."""
    index = np.arange(200_000, dtype=np.int64)
    counts, _ = np.histogram(uniform(1, 0, index), bins=20, range=(0.0, 1.0))
    assert np.all(np.abs(counts - 10_000) < 500)  # five deviations of a binomial count
    values = normal(1, 0, index)
    assert abs(values.mean()) < 0.012
    assert abs(values.std() - 1.0) < 0.01
    between = smooth(1, 5, np.arange(200_000) * 7.0 + 3.5, 7.0)
    assert abs(between.std() - 1.0) < 0.02


# Weather


def test_the_sun_agrees_with_pvlib() -> None:
    """Clear sky over a year: within 5 % of pvlib's Haurwitz model at noon, summed over each day within 10 %."""
    hours = np.arange(0.0, 365.0 * 24.0, 0.5)
    start_h = dt.datetime(2026, 1, 1, tzinfo=dt.UTC).timestamp() / 3600.0
    ours = sun_w_m2(50.0, start_h + hours, np.zeros(len(hours)))
    day_of_year = 1.0 + np.floor(hours / 24.0)
    declination = solarposition.declination_spencer71(day_of_year)
    hour_angle = np.radians(15.0 * (hours % 24.0 - 12.0))
    zenith = np.degrees(solarposition.solar_zenith_analytical(np.radians(50.0), hour_angle, declination))
    theirs = clearsky.haurwitz(_series(zenith))["ghi"].to_numpy()
    noon = hours % 24.0 == 12.0
    assert np.max(np.abs(ours[noon] / theirs[noon] - 1.0)) < 0.05
    assert np.max(np.abs(ours.reshape(365, 48).sum(1) / theirs.reshape(365, 48).sum(1) - 1.0)) < 0.10


def _series(values: np.ndarray) -> object:
    import pandas as pd

    return pd.Series(values)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_weather_is_believable_for_a_cool_damp_lowland(seed: int) -> None:
    """Winter cold and damp, summer warm and drier by day, dew point never above the temperature, nights cooler."""
    year = outdoors(Climate(), seed, every(JANUARY, 365 * 24.0, HOUR_MS))
    assert np.all(year.dew_point_c < year.temperature_c)
    assert -20.0 < year.temperature_c.min() < 0.0
    assert 22.0 < year.temperature_c.max() < 38.0
    winter, summer = slice(0, 30 * 24), slice(175 * 24, 205 * 24)
    assert -3.0 < year.temperature_c[winter].mean() < 6.0
    assert 15.0 < year.temperature_c[summer].mean() < 22.0
    rh = air.rh_from_dew_point_percent(year.temperature_c, year.dew_point_c)
    assert 75.0 < rh[winter].mean() < 95.0
    assert 60.0 < rh[summer].mean() < 85.0
    by_hour = year.temperature_c[summer].reshape(-1, 24).mean(0)
    assert by_hour[15] - by_hour[3] > 4.0


def test_weather_comes_in_fronts() -> None:
    """Today's weather says much of the next hours, little of next week: correlation falls from near 1 to near 0."""
    at_ms = every(JANUARY, 3000 * 24.0, 6 * HOUR_MS)
    weather = outdoors(Climate(yearly_swing_c=0.0, daily_swing_winter_c=0.0, daily_swing_summer_c=0.0), 1, at_ms)
    values = weather.temperature_c - weather.temperature_c.mean()
    assert np.corrcoef(values[:-1], values[1:])[0, 1] > 0.9
    assert abs(np.corrcoef(values[:-28], values[28:])[0, 1]) < 0.15


# Balances


@pytest.mark.parametrize("kind", list(ROOM_KINDS))
@pytest.mark.parametrize("start_ms", [JANUARY, JULY])
def test_water_and_heat_are_neither_made_nor_lost(kind: str, start_ms: int) -> None:
    """Over 12 eventful days, what is in the room changes by what crossed its boundary: to 1 mg of water and 1 J."""
    troubles = [
        Trouble("wet_trade", start_ms + DAY_MS, start_ms + 2 * DAY_MS, 25.0),
        Trouble("window_open", start_ms + 3 * DAY_MS, start_ms + 3 * DAY_MS + 8 * HOUR_MS),
        Trouble("dehumidifier_trip", start_ms + 5 * DAY_MS, start_ms + 6 * DAY_MS),
        Trouble("heating_off", start_ms + 7 * DAY_MS, start_ms + 9 * DAY_MS),
    ]
    room = make(kind, start_ms=start_ms, troubles=troubles)
    water_before, heat_before = water_kg(room.kind, room.state), heat_j(room.kind, room.state)
    room.air(every(start_ms, 12 * 24.0))
    books = room.state.books
    crossed_kg = books.water_ventilated_kg + books.water_added_kg - books.water_removed_kg
    assert abs(crossed_kg) > 1.0, "nothing much happened, so nothing was tested"
    assert math.isclose(water_kg(room.kind, room.state) - water_before, crossed_kg, abs_tol=1e-6)
    crossed_j = books.heat_added_j - books.heat_lost_j
    assert math.isclose(heat_j(room.kind, room.state) - heat_before, crossed_j, rel_tol=1e-9, abs_tol=1.0)


def empty(**changes: object) -> RoomKind:
    """A bare box without people, sun, wood or machines, for cases that can be computed by hand."""
    bare = RoomKind(
        title="box",
        volume_m3=100.0,
        air_changes_h=0.5,
        window_changes_h=5.0,
        loss_w_k=50.0,
        fabric_loss_w_k=0.0,
        fabric_mj_k=1.0,
        coupling_w_k=100.0,
        sun_m2=0.0,
        wood=NO_WOOD,
        surface_g_h=0.0,
    )
    return dataclasses.replace(bare, **changes)  # type: ignore[arg-type]


def test_a_steady_source_gives_the_textbook_humidity() -> None:
    """A constant source in a ventilated room ends at outdoor ratio + source / fresh air (steady mass balance)."""
    start = JULY
    source_kg_h = 0.12
    kind = empty(air_changes_h=6.0, wet_kg=0.0, heating=Heating(20_000.0, 30.0, 30.0))
    # A humidifier at full output is a constant source as long as the air stays 5 % below its set value.
    kind = dataclasses.replace(kind, damper=ROOM_KINDS["workshop"].damper and _full_output(source_kg_h))
    plain = make(dataclasses.replace(kind, damper=None), start_ms=start).air(every(start, 48.0))
    moist = make(kind, start_ms=start).air(every(start, 48.0))
    ratio_plain = air.humidity_ratio_g_kg(plain.temperature_c, plain.rh_percent, 101.325)
    ratio_moist = air.humidity_ratio_g_kg(moist.temperature_c, moist.rh_percent, 101.325)
    fresh_kg_h = 6.0 * 100.0 * 1.2
    rise = (ratio_moist - ratio_plain)[100:]
    # 0.5 %: physics counts the enhancement factor of moist air, the model treats vapour as an ideal gas.
    assert np.allclose(rise, 1000.0 * source_kg_h / fresh_kg_h, rtol=0.01)


def _full_output(kg_h: float) -> object:
    from adapters.room_kinds import Damper

    return Damper(set_rh_percent=99.0, gives_g_h=1000.0 * kg_h)


def test_an_open_window_changes_the_air_at_its_rate() -> None:
    """After a window opens, the humidity ratio nears that outdoors exponentially with the rate of air changes."""
    start = JANUARY
    kind = empty(wet_kg=1e6, wet_g_h=40.0, heating=Heating(60_000.0, 20.0, 20.0))
    opened = start + 36 * HOUR_MS
    troubles = [Trouble("window_open", opened, opened + 30 * HOUR_MS)]
    dry = dataclasses.replace(kind, wet_g_h=0.0)
    # Started moist by its wet fabric, then without source: only ventilation is left to act.
    wet_room = make(kind, start_ms=start)
    wet_room.skip_to(opened)
    state = wet_room.state
    room = Room(dry, seed=1, weather_seed=1, start_ms=start, troubles=troubles, state=state)
    at_ms = opened + np.arange(1, 60, dtype=np.int64) * 60_000
    inside = room.air(at_ms)
    ratio = air.humidity_ratio_g_kg(inside.temperature_c, inside.rh_percent, 101.325)
    weather = outdoors(Climate(), 1, at_ms)
    outside = air.humidity_ratio_g_kg(weather.dew_point_c, np.full(len(at_ms), 100.0), 101.325)
    share = (ratio - outside) / (ratio[0] - outside[0])
    changes_h = 5.5
    expected = np.exp(-changes_h * (at_ms - at_ms[0]) / HOUR_MS)
    # 0.06: the outdoor air moves by itself in that hour, and a backward Euler step of a minute lags a little.
    assert np.max(np.abs(share - expected)) < 0.06
    assert share[-1] < 0.06


def test_an_unheated_box_cools_at_its_time_constant() -> None:
    """Air and fabric together lose heat as exp(-t UA / C) towards the outdoors (lumped capacity, tight coupling)."""
    kind = empty(air_changes_h=0.0, fabric_mj_k=20.0, coupling_w_k=5000.0, loss_w_k=80.0)
    heated = dataclasses.replace(kind, heating=Heating(30_000.0, 22.0, 22.0))
    warm = make(heated, start_ms=JANUARY)
    warm.skip_to(JANUARY)
    room = Room(kind, seed=1, weather_seed=1, start_ms=JANUARY, state=warm.state)
    at_ms = every(JANUARY + 60_000, 48.0)
    inside = room.air(at_ms).temperature_c
    outside = outdoors(Climate(), 1, at_ms).temperature_c
    capacity = 20e6 + 100.0 * 1.2 * 1006.0 * 5.0
    expected = np.empty(len(at_ms))
    expected[0] = inside[0]
    for i in range(1, len(at_ms)):  # exact solution of the lumped room over each ten minutes
        towards = 0.5 * (outside[i - 1] + outside[i])
        expected[i] = towards + (expected[i - 1] - towards) * math.exp(-600.0 * 80.0 / capacity)
    assert np.max(np.abs(inside - expected)) < 0.3


# Behaviour


def test_a_heated_room_without_moisture_is_dry_in_winter() -> None:
    """Heated winter air has the outdoors' humidity ratio and so an RH of 20 to 40 % (psychrometric chart)."""
    dry = dataclasses.replace(ROOM_KINDS["house"], wet_kg=0.0, people=None, drier=None, wood=NO_WOOD)
    at_ms = every(JANUARY, 30 * 24.0)
    inside = make(dry).air(at_ms)
    ratio = air.humidity_ratio_g_kg(outdoors(Climate(), 1, at_ms).dew_point_c, np.full(len(at_ms), 100.0), 101.325)
    expected = air.rh_from_humidity_ratio_percent(inside.temperature_c, ratio, 101.325)
    assert abs(inside.rh_percent.mean() - expected.mean()) < 0.5
    assert 15.0 < inside.rh_percent.mean() < 38.0
    assert 19.0 < inside.temperature_c.mean() < 21.0


def test_an_unheated_store_follows_the_outdoors_with_damping() -> None:
    """A timber store has the outdoors' mean temperature within 2 K, but less of its daily swing."""
    at_ms = every(JULY, 20 * 24.0, HOUR_MS)
    inside = make("timber-store", start_ms=JULY).air(at_ms)
    outside = outdoors(Climate(), 1, at_ms).temperature_c
    assert abs(inside.temperature_c.mean() - outside.mean()) < 2.0
    swing_in = np.ptp(inside.temperature_c.reshape(-1, 24), axis=1).mean()
    swing_out = np.ptp(outside.reshape(-1, 24), axis=1).mean()
    assert 0.2 * swing_out < swing_in < 0.9 * swing_out
    assert np.corrcoef(inside.temperature_c, outside)[0, 1] > 0.8


def test_wood_buffers_the_air() -> None:
    """The same store without timber swings more in RH: the stack takes up and gives off what the air lacks."""
    at_ms = every(JULY, 15 * 24.0, HOUR_MS)
    full = make("timber-store", start_ms=JULY).air(at_ms)
    bare = make(dataclasses.replace(ROOM_KINDS["timber-store"], wood=NO_WOOD), start_ms=JULY).air(at_ms)
    assert full.rh_percent.std() < 0.8 * bare.rh_percent.std()


def test_wood_goes_towards_the_emc_of_its_air() -> None:
    """Boards brought in at 19 % into a dried cellar come down to its EMC (Wood Handbook) but for a point."""
    at_ms = every(JANUARY, 60 * 24.0, HOUR_MS)
    inside = make("cellar").air(at_ms)
    emc = wood.emc_percent(inside.temperature_c, inside.rh_percent)
    assert inside.wood_mc_percent[0] > 12.0
    assert abs(inside.wood_mc_percent[-240:].mean() - emc[-240:].mean()) < 1.0


def test_a_tripped_dehumidifier_raises_rh() -> None:
    """While the machine stands still the moist room climbs by more than 5 % RH; running, it holds the set value."""
    start = JANUARY
    trip = Trouble("dehumidifier_trip", start + 5 * DAY_MS, start + 6 * DAY_MS)
    well = make("house").air(every(start, 6 * 24.0))
    tripped = make("house", troubles=[trip]).air(every(start, 6 * 24.0))
    drier = ROOM_KINDS["house"].drier
    assert isinstance(drier, Drier)
    assert np.all(well.rh_percent[-144:] < drier.set_rh_percent + 4.0)
    assert np.array_equal(well.rh_percent[: 5 * 144], tripped.rh_percent[: 5 * 144])
    assert tripped.rh_percent[-1] > well.rh_percent[-1] + 5.0


def test_an_open_window_moves_the_room_to_the_outdoor_humidity() -> None:
    """After ten hours of open window in winter the room's humidity ratio is within 0.5 g/kg of that outdoors."""
    start = JANUARY
    trouble = Trouble("window_open", start + DAY_MS, start + DAY_MS + 10 * HOUR_MS)
    at_ms = start + DAY_MS + np.array([0, 10], dtype=np.int64) * HOUR_MS
    still = dataclasses.replace(ROOM_KINDS["house"], people=None, wet_kg=20.0)
    inside = make(still, troubles=[trouble]).air(at_ms)
    ratio = air.humidity_ratio_g_kg(inside.temperature_c, inside.rh_percent, 101.325)
    outside = air.humidity_ratio_g_kg(outdoors(Climate(), 1, at_ms).dew_point_c, np.full(2, 100.0), 101.325)
    assert ratio[0] - outside[0] > 1.0
    assert abs(ratio[1] - outside[1]) < 0.5


@pytest.mark.parametrize("kind", list(ROOM_KINDS))
@pytest.mark.parametrize("start_ms", [JANUARY, JULY])
def test_rooms_stay_within_believable_bounds(kind: str, start_ms: int) -> None:
    """Six weeks of winter and of summer: no fog for hours on end, no tropical or arctic room, sound wood."""
    inside = make(kind, start_ms=start_ms).air(every(start_ms, 42 * 24.0, HOUR_MS))
    assert inside.temperature_c.min() > -12.0
    assert inside.temperature_c.max() < 34.0
    assert inside.rh_percent.min() > 12.0
    assert (inside.rh_percent > 97.0).mean() < 0.01
    assert inside.wood_mc_percent.min() > 4.0
    assert inside.wood_mc_percent.max() < 24.0


# Determinism


def test_history_and_life_are_the_same_to_the_last_bit() -> None:
    """A week asked for at once equals the same week asked for in uneven bits, one of them after a snapshot in JSON."""
    troubles = [Trouble("dehumidifier_trip", JANUARY + DAY_MS, JANUARY + 2 * DAY_MS)]
    at_ms = every(JANUARY, 7 * 24.0, 45_000)
    at_once = make("house", troubles=troubles).air(at_ms)
    room = make("house", troubles=troubles)
    parts = []
    for number, part in enumerate(np.array_split(at_ms, [1, 2, 700, 701, 5000, 5003, 9000])):
        if number == 4:
            state = restored(json.loads(json.dumps(snapshot(room.state))))
            room = Room(ROOM_KINDS["house"], seed=1, weather_seed=1, start_ms=JANUARY, troubles=troubles, state=state)
        parts.append(room.air(part))
    for together, bits in zip(at_once, zip(*parts, strict=True), strict=True):
        assert np.array_equal(together, np.concatenate(bits))


def test_seeds_matter_and_repeat() -> None:
    """The same seed gives the same room; another gives other people, and another weather seed other weather."""
    at_ms = every(JANUARY, 7 * 24.0)
    one, same, other = (make("workshop", seed=seed).air(at_ms).rh_percent for seed in (1, 1, 2))
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)
    elsewhere = Room(ROOM_KINDS["workshop"], seed=1, weather_seed=2, start_ms=JANUARY).air(at_ms)
    assert np.abs(elsewhere.rh_percent - one).max() > 2.0


def test_a_room_does_not_go_back() -> None:
    """Asking for an instant that has gone by is refused, not answered wrongly."""
    room = make("house")
    room.air(every(JANUARY, 5.0))
    with pytest.raises(ValueError, match="back in time"):
        room.air(every(JANUARY, 1.0))


def test_what_is_no_state_is_refused() -> None:
    """A snapshot that lost a field, or has one too many, is not taken for a state."""
    values = snapshot(make("house").state)
    with pytest.raises(ValueError, match="not the state"):
        restored({name: value for name, value in values.items() if name != "step"})
    with pytest.raises(ValueError, match="not the state"):
        restored(values | {"colour": 1.0})


# Tables


def test_the_tables_agree_with_the_physics_they_stand_for() -> None:
    """Between tabulated points too: saturation to 1e-5, RH to 0.01 %, EMC to 0.1 % against `ingest.physics`.

    The saturated humidity ratio is that of ideal gases (p / (P - p)); physics' own counts the enhancement factor.
    """
    for temperature_c in np.linspace(-20.0, 45.0, 137):
        pressure = air.saturation_vapour_pressure_kpa(float(temperature_c))
        ideal = VAPOUR_RATIO * pressure / (PRESSURE_KPA - pressure)
        assert math.isclose(saturation_ratio(float(temperature_c)), ideal, rel_tol=1.2e-5)
        half = VAPOUR_RATIO * 0.5 * pressure / (PRESSURE_KPA - 0.5 * pressure)
        assert math.isclose(humidity_percent(float(temperature_c), half), 50.0, abs_tol=0.01)
    for temperature_c in np.linspace(0.0, 45.0, 31):
        for rh in np.linspace(5.0, 95.0, 61):
            emc, slope = emc_and_slope(float(temperature_c), float(rh))
            assert math.isclose(emc, wood.emc_percent(float(temperature_c), float(rh)), abs_tol=0.1)
            assert slope > 0.0


def test_a_room_that_leaves_the_tables_says_so() -> None:
    """A kind of room whose figures heat it beyond 70 °C is refused in a sentence instead of giving nonsense."""
    oven = empty(heating=Heating(200_000.0, 200.0, 200.0))
    with pytest.raises(ValueError, match="make no sense"):
        make(oven).air(every(JANUARY, 24.0))
