"""The simulated room: an adapter without hardware, for trying out, demonstrating and testing.

What it measures comes from `adapters.room_model`, through sensors with a little noise and a resolution. It is
deterministic: the same settings and start give the same readings at the same instants, whether they were written as a
history or lived through. Readings are stamped with the instant of the simulated sensor, on whole intervals after the
start; if the program was held up, the sensor hands over what it has kept meanwhile.
"""

from __future__ import annotations

import asyncio
import datetime as dt
import math
from collections.abc import AsyncIterator, Iterable, Iterator, Mapping, Sequence
from typing import Any, ClassVar, Final

import numpy as np

from adapters.contract import SENSOR_ID, AdapterHealth, Reading, Setting, SettingsError, Stamp, WallClock
from adapters.room_chance import Floats, Int64s, normal
from adapters.room_days import STEP_MS, STEPS_PER_DAY, TROUBLES, Trouble
from adapters.room_kinds import ROOM_KINDS
from adapters.room_model import Room, restored, snapshot
from adapters.sensor_faults import FAULTS, SensorFaults, faults_of

MS_PER_HOUR: Final = 3_600_000
READINGS_A_BATCH: Final = 500  # instants handed over at once; more would hold up whoever stores them
_NOISE_STREAM: Final = 400

# Deviation of the noise and resolution, as a capacitive sensor on a chip shows them (common practice, no source).
_AIR_NOISE: Final = {"temperature_c": (0.02, 0.01), "rh_percent": (0.15, 0.01)}
_WOOD_NOISE: Final = {"wood_mc_percent": (0.05, 0.1)}


class SimulatedSensors:
    """The sensors of one simulated room, as columns: what the adapter gives, and what a history is written from.

    settings: as `SimulatedRoom.SETTINGS`, complete.  start_ms: where the room's story begins, UTC.
    Raises SettingsError where an event or the state to continue from makes no sense.
    """

    def __init__(self, settings: Mapping[str, Any], start_ms: int) -> None:
        self.interval_ms: int = round(settings["interval_s"] * 1000.0)
        self.start_ms = start_ms
        self._seed: int = settings["seed"]
        self._names = {settings["sensor"]: _AIR_NOISE}
        if settings["wood_sensor"]:
            self._names[settings["wood_sensor"]] = _WOOD_NOISE
        resume: Mapping[str, Any] = settings["resume"] or {}
        try:
            state = restored(resume["state"]) if resume else None
            self.next_ms = int(resume.get("next_ms", start_ms))
        except (KeyError, TypeError, ValueError) as problem:
            raise SettingsError(
                f"this is not a state to continue from ({problem})",
                where="resume",
                mend="Leave it out; it is written by the demonstration for itself",
            ) from problem
        self._room = Room(
            ROOM_KINDS[settings["room_kind"]],
            seed=self._seed,
            weather_seed=settings["weather_seed"],
            start_ms=start_ms,
            troubles=_troubles(settings["events"], start_ms),
            state=state,
        )

    def due(self, now_ms: int) -> Int64s:
        """Give the instants at which something was measured and not yet handed over, up to and with `now_ms`."""
        return np.arange(self.next_ms, now_ms + 1, self.interval_ms, dtype=np.int64)

    def measure(self, at_ms: Int64s) -> dict[tuple[str, str], Floats]:
        """Give (sensor, quantity) -> values at these instants, which must follow on what was given before."""
        air = self._room.air(at_ms)
        self.next_ms = int(at_ms[-1]) + self.interval_ms
        columns = {}
        streams = iter(range(_NOISE_STREAM, _NOISE_STREAM + 100))
        for sensor, quantities in self._names.items():
            for quantity, (deviation, resolution) in quantities.items():
                noise = deviation * normal(self._seed, next(streams), at_ms)
                steps = np.round((getattr(air, quantity) + noise) / resolution)
                # Dividing by a whole number gives the nearest double to the printed figure; multiplying does not.
                columns[sensor, quantity] = np.clip(steps / round(1.0 / resolution), -60.0, 100.0)
        return columns

    def newest_ms(self, now_ms: int) -> int:
        """Give the instant of the newest measurement at `now_ms`; of the first one, where that is still to come."""
        return self.next_ms + max(0, now_ms - self.next_ms) // self.interval_ms * self.interval_ms

    def skip_to(self, at_ms: int) -> Iterator[None]:
        """Live through everything before that instant, handing nothing over; pauses after each simulated day."""
        while self._room.state.step * STEP_MS < at_ms - STEP_MS:
            self._room.skip_to(min(at_ms, (self._room.state.step + STEPS_PER_DAY) * STEP_MS))
            yield
        self.next_ms = at_ms

    def resume(self) -> dict[str, Any]:
        """Give the `resume` setting with which another one goes on exactly here."""
        return {"next_ms": self.next_ms, "state": snapshot(self._room.state)}


class SimulatedRoom:
    """One simulated room with a sensor in its air and, if wanted, one in its wood."""

    SUMMARY: ClassVar[str] = "a simulated room with believable physics, for trying out without hardware"
    SETTINGS: ClassVar[tuple[Setting, ...]] = (
        Setting("sensor", str, "id of the air's sensor (temperature and humidity)", required=True),
        Setting("room_kind", str, "what kind of room", default="house", choices=tuple(ROOM_KINDS)),
        Setting("seed", int, "chance in this room: people, noise", default=1, minimum=0, maximum=2**53),
        Setting(
            "weather_seed", int, "chance outdoors; rooms of one site share it", default=1, minimum=0, maximum=2**53
        ),
        Setting("interval_s", float, "seconds between readings", default=60.0, minimum=1.0, maximum=86_400.0),
        Setting("wood_sensor", str, "id of a moisture probe in the wood; empty = none", default=""),
        Setting("start", str, 'when the story begins, such as "2026-03-01T08:00:00Z"; empty = now', default=""),
        Setting(
            "events",
            list,
            'what befalls the room, such as { event = "window_open", after_h = 30, for_h = 5 }; events: '
            + ", ".join(TROUBLES)
            + ' ("wet_trade" with kg = kilograms of water)',
            default=(),
        ),
        Setting(
            "faults",
            list,
            'what the sensors suffer from, such as { fault = "stuck", after_h = 30, for_h = 5 }; faults: '
            + ", ".join(FAULTS),
            default=(),
        ),
        Setting("resume", dict, "a state to continue from; written by the demonstration for itself", default=None),
    )

    def __init__(self, settings: Mapping[str, Any], clock: WallClock) -> None:
        """Check what the table of settings cannot say.  Raises SettingsError."""
        for name in ("sensor", "wood_sensor"):
            if settings[name] and not SENSOR_ID.fullmatch(settings[name]):
                raise SettingsError(
                    f"{settings[name]!r} cannot be the id of a sensor",
                    where=name,
                    mend="Use letters, digits and : . _ / -, beginning with a letter or digit, at most 120",
                )
        if settings["sensor"] == settings["wood_sensor"]:
            raise SettingsError("both sensors have one id", where="wood_sensor", mend="Give the probe its own id")
        self._start_ms = _instant_ms(settings["start"]) if settings["start"] else None
        _troubles(settings["events"], 0)
        faults_of(settings["faults"], 0)
        self._settings = settings
        self._clock = clock
        self.health = AdapterHealth()

    def describe(self) -> str:
        """Say what is simulated."""
        return f"simulated {self._settings['room_kind']}, seed {self._settings['seed']}"

    async def readings(self) -> AsyncIterator[Sequence[Reading]]:
        """Give the newest measurement, then each further one when its time has come; never ends by itself.

        With `resume`, everything measured since that state comes first. Raises SettingsError for a state that is none.
        """
        now_ms = self._clock.now_ms()
        sensors = SimulatedSensors(self._settings, now_ms if self._start_ms is None else self._start_ms)
        faults = SensorFaults(faults_of(self._settings["faults"], sensors.start_ms), self._settings["seed"])
        if not self._settings["resume"]:
            for _ in sensors.skip_to(sensors.newest_ms(now_ms)):
                await asyncio.sleep(0)  # years may have to be lived through
        while True:
            wait_ms = sensors.next_ms - self._clock.now_ms()
            if wait_ms > 0:
                await self._clock.sleep(wait_ms / 1000.0)
            at_ms = sensors.due(max(self._clock.now_ms(), sensors.next_ms))[:READINGS_A_BATCH]
            yield faults.apply(_readings(sensors.measure(at_ms), at_ms))
            await asyncio.sleep(0)  # a long backlog must not hold up the rest of the program


def _readings(columns: Mapping[tuple[str, str], Floats], at_ms: Int64s) -> Iterable[Reading]:
    keys = list(columns)
    for instant, values in zip(at_ms.tolist(), zip(*(c.tolist() for c in columns.values()), strict=True), strict=True):
        for (sensor, quantity), value in zip(keys, values, strict=True):
            yield Reading(sensor, quantity, value, instant, Stamp.SENSOR)


def _instant_ms(text: str) -> int:
    try:
        instant = dt.datetime.fromisoformat(text)
    except ValueError:
        instant = None
    if instant is None or instant.tzinfo is None:
        raise SettingsError(
            f"{text!r} is not an instant with its zone", where="start", mend='Write it like "2026-03-01T08:00:00Z"'
        )
    return round(instant.timestamp() * 1000.0)


_EVENT_KEYS: Final = {"event", "after_h", "for_h", "kg"}


def _troubles(events: Iterable[Any], start_ms: int) -> tuple[Trouble, ...]:
    return tuple(_trouble(event, f"events, number {number}", start_ms) for number, event in enumerate(events, 1))


def _trouble(event: Any, where: str, start_ms: int) -> Trouble:
    example = 'Write it like { event = "window_open", after_h = 30, for_h = 5 }'
    if not isinstance(event, Mapping) or not {"event", "after_h", "for_h"} <= set(event) <= _EVENT_KEYS:
        raise SettingsError(
            "an event needs event, after_h and for_h, and nothing else but kg", where=where, mend=example
        )
    if event["event"] not in TROUBLES:
        raise SettingsError(
            f"there is no event {event['event']!r}", where=where, mend=f"Use one of: {', '.join(TROUBLES)}"
        )
    after_h, for_h, kg = (_number(event.get(name, 0.0), f"{where}, {name}") for name in ("after_h", "for_h", "kg"))
    if not for_h > 0.0:
        raise SettingsError("an event must last for some time", where=f"{where}, for_h", mend="Set it above 0 hours")
    if (event["event"] == "wet_trade") != (kg > 0.0):
        raise SettingsError(
            "a wet trade brings in water, and nothing else does",
            where=f"{where}, kg",
            mend="Set kg above 0 for wet_trade, and leave it out for all others",
        )
    from_ms = start_ms + round(after_h * MS_PER_HOUR)
    return Trouble(event["event"], from_ms, from_ms + round(for_h * MS_PER_HOUR), kg)


def _number(value: Any, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or abs(value) > 1e6:
        raise SettingsError(f"{value!r} is not a number that makes sense here", where=where, mend="Write a number")
    return float(value)
