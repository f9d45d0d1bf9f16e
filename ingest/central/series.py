"""Time series on a central engine, by the contract of `ingest.store.api.SeriesReader`. Blocks.

How rooms and sensors of many sites are told apart in one office: `site.room` and `site/sensor`. A site's id holds
neither a full stop nor a slash, so that the first one always divides. What a site amended stands on the engine as a
series of its own (tag `revision`), what was sent again may be there twice, and a sensor that moved has two room tags:
read together, each instant counts once, with its highest revision. Derived series are derived here, from what was
measured, by the very code that a site uses; the derived fields on the engine are for others.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from adapters.contract import QUANTITIES
from ingest.central.engine import Engine, EngineSeries, Wanted
from ingest.central.kept_cells import DAY_MS, KeptCells, is_long
from ingest.central.points import MEASUREMENT
from ingest.clock import Clock
from ingest.physics import air
from ingest.physics.derived import DERIVED
from ingest.site.places import Site
from ingest.site.series import Buckets, Int64s, Sample, Series, SeriesKey, Span
from ingest.store.api import SeriesExtent
from ingest.store.series import bucketing, coverage, pairing

LOOK_BACK_MS: Final = 32 * 86_400_000
"""How far back the newest reading of a series is looked for."""

EARLIEST_MS: Final = 946_684_800_000
"""2000-01-01T00:00Z; nothing older gets past intake."""

AHEAD_MS: Final = 3_600_000
"""How far ahead of our clock a site's may be."""

CONTEXT_MS: Final = 86_400_000
"""What is read beyond each end of a stretch, to judge what is covered inside it: ten readings, as the embedded
store takes, for sensors that report every two hours or more often."""

NEAR_MS: Final = 3_600_000
"""What is read beyond each end at first, where many series are asked for: ten readings of most sensors."""

FRESH_S: Final = 5.0
"""For how long what was just read is taken as it is: one page asks for the same again and again."""

KEPT_STRETCHES: Final = 16
"""How many stretches of air are kept for that long; one sensor-year of minutes is 16 MB."""

SENSOR_MS_AT_ONCE: Final = 250 * 3 * 86_400_000
"""How much time of how many sensors is asked for in one question: three days of 250 sensors, a year of two."""

_INPUTS: Final = ("temperature_c", "rh_percent", "pressure_kpa")


def room_name(site_id: str, room: str) -> str:
    """Give the office's id of a site's room."""
    return f"{site_id}.{room}"


def sensor_name(site_id: str, sensor: str) -> str:
    """Give the office's id of a site's sensor."""
    return f"{site_id}/{sensor}"


def sensor_of(name: str) -> tuple[str, str]:
    """Give site and sensor of an office's sensor id; an empty site where it names none."""
    site_id, slash, sensor = name.partition("/")
    return (site_id, sensor) if slash else ("", name)


def joined(name: str, time_zone: str, sites: dict[str, Site]) -> Site:
    """Give one site that holds the rooms and sensors of all, in the order of the sites' names."""
    in_order = sorted(sites.items(), key=lambda item: (item[1].name.casefold(), item[0]))
    rooms = [
        replace(room, id=room_name(site_id, room.id), title=f"{site.name}: {room.title}")
        for site_id, site in in_order
        for room in site.rooms
    ]
    sensors = [
        replace(sensor, id=sensor_name(site_id, sensor.id), room=room_name(site_id, sensor.room))
        for site_id, site in in_order
        for sensor in site.sensors
    ]
    return Site(name, time_zone, rooms=tuple(rooms), sensors=tuple(sensors))


class CentralSeries:
    """Reads the series of every site on one engine; satisfies `api.SeriesReader`. Raises EngineError.

    elevation_m: gives a site's elevation, for the air pressure where none is measured.
    """

    def __init__(self, engine: Engine, clock: Clock, elevation_m: Callable[[str], float] = lambda site_id: 0.0) -> None:
        self._engine = engine
        self._clock = clock
        self._elevation_m = elevation_m
        self._kept: dict[str, tuple[float, dict[SeriesKey, Sample]]] = {}
        self.samples_read = 0  # of measured series, since the start
        self._air: dict[tuple[str, int, int], tuple[float, dict[str, Series]]] = {}
        self._cells = KeptCells(self._counted, self._read_into, self._basis, clock)

    def extents(self) -> list[SeriesExtent]:
        """Give every measured series with its first and last instant and its count."""
        to_ms = self._clock.now_ms() + AHEAD_MS
        parts: dict[SeriesKey, list[SeriesExtent]] = {}
        for one, count in self._engine.extents(Wanted(MEASUREMENT, tuple(QUANTITIES), {}), EARLIEST_MS, to_ms):
            key = SeriesKey(sensor_name(one.tags.get("site", ""), one.tags.get("sensor", "")), one.field)
            parts.setdefault(key, []).append(SeriesExtent(key, int(one.at_ms[0]), int(one.at_ms[-1]), count))
        return [self._whole(parts[key]) for key in sorted(parts)]

    def _whole(self, parts: list[SeriesExtent]) -> SeriesExtent:
        """Give one extent of several series that tell of the same: only reading them shows what they share."""
        key, first_ms, last_ms = parts[0].key, min(p.first_ms for p in parts), max(p.last_ms for p in parts)
        count = parts[0].count if len(parts) == 1 else len(self.read(key, first_ms, last_ms + 1))
        return SeriesExtent(key, first_ms, last_ms, count)

    def read(self, key: SeriesKey, from_ms: int, to_ms: int) -> Series:
        """Give the samples with from_ms <= instant < to_ms, in order of time."""
        if key.quantity in DERIVED:
            return self._derived(key, from_ms, to_ms)
        if key.quantity not in QUANTITIES:
            return EMPTY
        if key.quantity not in _INPUTS:
            return self._asked(key.sensor, (key.quantity,), from_ms, to_ms)[key.quantity]
        return _between(self._inputs(key.sensor, from_ms, to_ms)[key.quantity], from_ms, to_ms)

    def buckets(self, key: SeriesKey, edges_ms: Int64s) -> Buckets:
        """Give count, minimum, mean, maximum and coverage between edges. Raises ValueError where they do not rise."""
        edges_ms = np.asarray(edges_ms, dtype=np.int64)
        bucketing.check_edges(edges_ms)
        kept = self._cells.buckets(key, edges_ms) if key.quantity in QUANTITIES or key.quantity in DERIVED else None
        return self._read_into(key, edges_ms) if kept is None else kept

    def _counted(self, key: SeriesKey, from_ms: int, to_ms: int) -> Int64s:
        """Give the engine's counts of what goes into a series, day by day."""
        site_id, own = sensor_of(key.sensor)
        fields = _INPUTS if key.quantity in DERIVED else (key.quantity,)
        return self._engine.counts(
            Wanted(MEASUREMENT, fields, {"site": site_id, "sensor": own}), from_ms, to_ms, DAY_MS
        )

    def _basis(self, key: SeriesKey) -> float:
        return self._elevation_m(sensor_of(key.sensor)[0]) if key.quantity in DERIVED else 0.0

    def _read_into(self, key: SeriesKey, edges_ms: Int64s) -> Buckets:
        samples = self.read(key, int(edges_ms[0]) - CONTEXT_MS, int(edges_ms[-1]) + CONTEXT_MS)
        return bucketing.bucket(samples, coverage.vouched_ms(samples.at_ms), edges_ms)

    def buckets_of(self, keys: Sequence[SeriesKey], edges_ms: Int64s) -> dict[SeriesKey, Buckets]:
        """Give the buckets of many series between the same edges: one question for all that was measured.

        Derived series, and long stretches, are asked for sensor by sensor, each sensor's air once.
        """
        edges_ms = np.asarray(edges_ms, dtype=np.int64)
        bucketing.check_edges(edges_ms)
        if is_long(edges_ms):
            return {key: self.buckets(key, edges_ms) for key in keys}
        measured = [key for key in keys if key.quantity in QUANTITIES]
        found = self._with_context(measured, int(edges_ms[0]), int(edges_ms[-1]))
        bucketed = {
            key: bucketing.bucket(samples, coverage.vouched_ms(samples.at_ms), edges_ms)
            for key, samples in found.items()
        }
        return {key: bucketed[key] if key in bucketed else self.buckets(key, edges_ms) for key in keys}

    def _with_context(self, keys: Sequence[SeriesKey], from_ms: int, to_ms: int) -> dict[SeriesKey, Series]:
        """Give many measured series of a stretch, with what decides beyond its ends over what is covered inside.

        Most sensors report often, and a little beyond is enough; the others are asked for again with more of it.
        """
        found = self._many(keys, from_ms - NEAR_MS, to_ms + NEAR_MS)
        later = to_ms + NEAR_MS < self._clock.now_ms() + AHEAD_MS  # there may be more after it
        slow = []
        for key, series in found.items():
            before, after = np.searchsorted(series.at_ms, (from_ms, to_ms))
            if before < coverage.CONTEXT or (later and len(series) - after < coverage.CONTEXT):
                slow.append(key)
        return found | (self._many(slow, from_ms - CONTEXT_MS, to_ms + CONTEXT_MS) if slow else {})

    def _many(self, keys: Sequence[SeriesKey], from_ms: int, to_ms: int) -> dict[SeriesKey, Series]:
        """Give many measured series of a stretch, so many sensors at a time that an answer stays small enough."""
        found: dict[SeriesKey, Series] = dict.fromkeys(keys, EMPTY)
        sensors = sorted({key.sensor for key in keys})
        quantities = tuple(sorted({key.quantity for key in keys}))
        length_ms = max(1, to_ms - from_ms)
        at_once = max(1, int(SENSOR_MS_AT_ONCE / length_ms))
        for begin in range(0, len(sensors), at_once):
            parts: dict[SeriesKey, list[EngineSeries]] = {}
            some = [sensor_of(sensor) for sensor in sensors[begin : begin + at_once]]
            tags = {"site": tuple({site_id for site_id, _ in some}), "sensor": tuple({own for _, own in some})}
            for one in self._engine.samples(Wanted(MEASUREMENT, quantities, tags), max(from_ms, 0), to_ms):
                key = SeriesKey(sensor_name(one.tags.get("site", ""), one.tags.get("sensor", "")), one.field)
                if key in found:
                    parts.setdefault(key, []).append(one)
                    self.samples_read += len(one.at_ms)
            found.update({key: merged(series) for key, series in parts.items()})
        return found

    def latest(self, keys: Sequence[SeriesKey]) -> dict[SeriesKey, Sample]:
        """Give the newest sample of each of these series of the last 32 days; series without one are left out."""
        found: dict[SeriesKey, Sample] = {}
        self._ask_newest(sorted({sensor_of(key.sensor)[0] for key in keys}))
        for key in keys:
            newest = self._newest(sensor_of(key.sensor)[0])
            sample = self._newest_derived(key, newest) if key.quantity in DERIVED else newest.get(key)
            if sample is not None:
                found[key] = sample
        return found

    def gaps(self, key: SeriesKey, from_ms: int, to_ms: int) -> list[Span]:
        """Give the stretches for which no reading vouches."""
        if from_ms >= to_ms:
            return []
        at_ms = self.read(key, from_ms - CONTEXT_MS, to_ms + CONTEXT_MS).at_ms
        return coverage.gaps(at_ms, coverage.vouched_ms(at_ms), from_ms, to_ms)

    def newest_of(self, site_id: str) -> dict[str, int]:
        """Give, per sensor of a site, the instant of its newest reading, by the site's own ids."""
        instants: dict[str, int] = {}
        for key, sample in self._newest(site_id).items():
            sensor = sensor_of(key.sensor)[1]
            instants[sensor] = max(sample.at_ms, instants.get(sensor, sample.at_ms))
        return instants

    def _newest(self, site_id: str) -> dict[SeriesKey, Sample]:
        """Give the newest sample of each series of a site: one question for the whole site, kept for a moment."""
        self._ask_newest([site_id])
        return self._kept[site_id][1]

    def _ask_newest(self, site_ids: Sequence[str]) -> None:
        """Ask for the newest samples of those of some sites that were not asked for just now: one question for all."""
        now_s, now_ms = self._clock.monotonic_s(), self._clock.now_ms()
        old = [one for one in site_ids if one not in self._kept or not 0 <= now_s - self._kept[one][0] < FRESH_S]
        if not old:
            return
        wanted = Wanted(MEASUREMENT, tuple(QUANTITIES), {"site": old[0] if len(old) == 1 else tuple(old)})
        newest: dict[str, dict[SeriesKey, tuple[int, int, float]]] = {site_id: {} for site_id in old}
        for one in self._engine.newest(wanted, now_ms - LOOK_BACK_MS, now_ms + AHEAD_MS):
            site_id = one.tags.get("site", "")
            key = SeriesKey(sensor_name(site_id, one.tags.get("sensor", "")), one.field)
            told = (int(one.at_ms[-1]), _revision(one), float(one.value[-1]))
            of_site = newest.setdefault(site_id, {})
            of_site[key] = max(told, of_site.get(key, told))
        for site_id, found in newest.items():
            self._kept[site_id] = (now_s, {key: Sample(at_ms, value) for key, (at_ms, _, value) in found.items()})

    def _newest_derived(self, key: SeriesKey, newest: dict[SeriesKey, Sample]) -> Sample | None:
        humid = newest.get(SeriesKey(key.sensor, "rh_percent"))
        if humid is None:
            return None
        told = self._derived_of_newest(key, humid, newest)
        if told is not None:
            return told
        for back_ms in (0, 900_000, 86_400_000):
            series = self._derived(key, humid.at_ms - back_ms, humid.at_ms + 1)
            if len(series):
                return Sample(int(series.at_ms[-1]), float(series.value[-1]))
        return None

    def _derived_of_newest(self, key: SeriesKey, humid: Sample, newest: dict[SeriesKey, Sample]) -> Sample | None:
        """Derive from the newest samples alone, without asking again; None where older ones may be wanted.

        What holds at the newest humidity is the last temperature and pressure up to then: the newest, unless they came
        after it.
        """
        beside = [newest.get(SeriesKey(key.sensor, name)) for name in ("temperature_c", "pressure_kpa")]
        if beside[0] is None or any(one is not None and one.at_ms > humid.at_ms for one in beside):
            return None
        temperature, pressure = (EMPTY if one is None else _alone(one) for one in beside)
        made = self._paired(key, temperature, _alone(humid), pressure)
        return Sample(int(made.at_ms[-1]), float(made.value[-1])) if len(made) else None

    def _derived(self, key: SeriesKey, from_ms: int, to_ms: int) -> Series:
        inputs = self._inputs(key.sensor, from_ms, to_ms)
        asked = _between(inputs["rh_percent"], from_ms, to_ms)
        return self._paired(key, inputs["temperature_c"], asked, inputs["pressure_kpa"])

    def _paired(self, key: SeriesKey, temperature: Series, humidity: Series, pressure: Series) -> Series:
        """Derive for humidity readings."""
        site_kpa = float(air.pressure_from_elevation_kpa(self._elevation_m(sensor_of(key.sensor)[0])))
        measured = pressure if len(pressure) else None
        return pairing.derive(key.quantity, temperature, humidity, measured, site_kpa)

    def _inputs(self, sensor: str, from_ms: int, to_ms: int) -> dict[str, Series]:
        """Give what was measured of a sensor's air in a stretch, and beyond it as far as what is derived in it looks.

        All of it comes together, as a page asks for one quantity after the other.
        """
        now_s, asked = self._clock.monotonic_s(), (sensor, from_ms, to_ms)
        kept = self._air.get(asked)
        if kept is not None and 0 <= now_s - kept[0] < FRESH_S:
            return kept[1]
        found = self._asked(sensor, _INPUTS, from_ms - pairing.PRESSURE_AGE_MS, to_ms + pairing.TEMPERATURE_AFTER_MS)
        if len(self._air) >= KEPT_STRETCHES:
            self._air.clear()
        self._air[asked] = (now_s, found)
        return found

    def _asked(self, sensor: str, quantities: tuple[str, ...], from_ms: int, to_ms: int) -> dict[str, Series]:
        site_id, own = sensor_of(sensor)
        wanted = Wanted(MEASUREMENT, quantities, {"site": site_id, "sensor": own})
        found = self._engine.samples(wanted, max(from_ms, 0), to_ms) if site_id else []
        self.samples_read += sum(len(one.at_ms) for one in found)
        return {name: merged(one for one in found if one.field == name) for name in quantities}


EMPTY: Final = Series(np.empty(0, np.int64), np.empty(0, np.float64))


def _alone(sample: Sample) -> Series:
    return Series(np.array([sample.at_ms], dtype=np.int64), np.array([sample.value]))


def merged(parts: Iterable[EngineSeries]) -> Series:
    """Give one series of several that tell of the same: each instant once, with its highest revision. Pure."""
    in_order = sorted(parts, key=_revision)
    if not in_order:
        return EMPTY
    at_ms = np.concatenate([one.at_ms for one in in_order])
    value = np.concatenate([one.value for one in in_order])
    # Of equal instants the first of the reversed columns is the last of the columns: the highest revision.
    instants, index = np.unique(at_ms[::-1], return_index=True)
    return Series(instants, value[::-1][index])


def _between(series: Series, from_ms: int, to_ms: int) -> Series:
    begin, end = np.searchsorted(series.at_ms, (from_ms, to_ms))
    return Series(series.at_ms[begin:end], series.value[begin:end])


def _revision(one: EngineSeries) -> int:
    text = one.tags.get("revision", "0")
    return int(text) if text.isdecimal() else 0
