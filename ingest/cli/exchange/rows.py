"""Rows of a store: one sensor, one instant, what it told then; read in stretches of time so that memory is bounded."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from adapters.contract import QUANTITIES
from ingest.errors import RefusedError, SettingsError
from ingest.physics.derived import DERIVED
from ingest.site.places import Site
from ingest.site.series import Floats, Int64s, SeriesKey, Span
from ingest.store.api import SeriesExtent, StoreReader

READINGS_AT_ONCE: Final = 50_000
"""About how many readings a stretch of time holds, by the average density of the series."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is to be written.  rooms: ids, none for all.  quantities: names, none for all that were measured.

    from_ms <= instant < to_ms, UTC, None for as far as there is.  derived: every derived quantity as well.
    """

    rooms: tuple[str, ...] = ()
    quantities: tuple[str, ...] = ()
    from_ms: int | None = None
    to_ms: int | None = None
    derived: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """What will be read.

    sensors: by id, with the room of each ("" for none).  quantities: the columns, in order.  stretches: of time, in
    order, each holding about `READINGS_AT_ONCE` readings or fewer.
    """

    sensors: dict[str, str]
    quantities: tuple[str, ...]
    stretches: tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows in order of time, then sensor.

    at_ms: int64 (n,), UTC.  sensor: int32 (n,), index into `sensors`.  values: per quantity float64 (n,), NaN where the
    sensor told nothing of it at that instant.
    """

    sensors: tuple[str, ...]
    at_ms: Int64s
    sensor: np.ndarray[tuple[int], np.dtype[np.int32]]
    values: dict[str, Floats]

    def __len__(self) -> int:
        return len(self.at_ms)


def plan(reader: StoreReader, wanted: Wanted) -> Plan:
    """Work out what there is to read.

    Raises RefusedError for a room that the job does not know, SettingsError for a quantity that does not exist.
    """
    site = reader.site()
    sensors = _sensors(site, wanted.rooms)
    _refuse_unknown_quantities(wanted.quantities)
    extents = [extent for extent in reader.extents() if not wanted.rooms or extent.key.sensor in sensors]
    room_of = {extent.key.sensor: sensors.get(extent.key.sensor, "") for extent in extents}
    return Plan(room_of, _columns(extents, wanted), tuple(_stretches(extents, wanted)))


def read_rows(reader: StoreReader, plan: Plan) -> Iterator[Rows]:
    """Give the rows of a plan, stretch by stretch, in order of time; stretches without rows are left out.

    Each stretch is one look at the store: what the daemon stores meanwhile is in it if it came before that look.
    """
    for stretch in plan.stretches:
        rows = _rows_of(reader, plan, stretch.from_ms, stretch.to_ms)
        if len(rows):
            yield rows


def _sensors(site: Site | None, rooms: Sequence[str]) -> dict[str, str]:
    """Give the rooms' sensors, or all that the job knows, each with its room."""
    known = [room.id for room in site.rooms] if site else []
    unknown = [room for room in rooms if room not in known]
    if unknown:
        raise RefusedError(
            f"there is no room {unknown[0]!r}", where="--room", mend=f"There are: {', '.join(known) or 'none yet'}."
        )
    return {sensor.id: sensor.room for sensor in (site.sensors if site else ()) if not rooms or sensor.room in rooms}


def _refuse_unknown_quantities(names: Sequence[str]) -> None:
    for name in names:
        if name not in QUANTITIES and name not in DERIVED:
            raise SettingsError(
                f"there is no quantity {name[:40]!r}",
                where="--quantity",
                mend=f"Measured: {', '.join(QUANTITIES)}. Derived: {', '.join(DERIVED)}.",
            )


def _columns(extents: Sequence[SeriesExtent], wanted: Wanted) -> tuple[str, ...]:
    chosen = set(wanted.quantities) or {extent.key.quantity for extent in extents}
    chosen = chosen or {"temperature_c", "rh_percent"}  # a table of nothing still says what it would hold
    columns = [name for name in QUANTITIES if name in chosen]
    columns += sorted(chosen - set(QUANTITIES) - set(DERIVED))  # a store of later days may hold more
    return (*columns, *(name for name in DERIVED if wanted.derived or name in chosen))


def _stretches(extents: Sequence[SeriesExtent], wanted: Wanted) -> Iterator[Span]:
    """Cut the time for which there are readings so that each stretch holds about as many as may be held at once.

    Where series begin or end the density changes, so it is summed up between those edges; time without any series is
    left out, however long.
    """
    edges = sorted({edge for extent in extents for edge in (extent.first_ms, extent.last_ms + 1)})
    for begin, end in itertools.pairwise(edges):
        alive = [extent for extent in extents if extent.first_ms <= begin and end <= extent.last_ms + 1]
        per_ms = sum(extent.count / (extent.last_ms + 1 - extent.first_ms) for extent in alive)
        if per_ms == 0:
            continue
        first = begin if wanted.from_ms is None else max(begin, wanted.from_ms)
        last = end if wanted.to_ms is None else min(end, wanted.to_ms)
        step = max(int(READINGS_AT_ONCE / per_ms), 1)
        yield from (Span(at, min(at + step, last)) for at in range(first, last, step))


def _rows_of(reader: StoreReader, plan: Plan, from_ms: int, to_ms: int) -> Rows:
    sensors = tuple(plan.sensors)
    parts = [_of_sensor(reader, sensor, plan.quantities, from_ms, to_ms) for sensor in sensors]
    at_ms = np.concatenate([np.empty(0, np.int64), *(part[0] for part in parts)])
    index = np.repeat(np.arange(len(sensors), dtype=np.int32), [len(part[0]) for part in parts])
    order = np.lexsort((index, at_ms))
    values = {
        name: np.concatenate([np.empty(0), *(part[1][name] for part in parts)])[order] for name in plan.quantities
    }
    return Rows(sensors, at_ms[order], index[order], values)


def _of_sensor(
    reader: StoreReader, sensor: str, quantities: Sequence[str], from_ms: int, to_ms: int
) -> tuple[Int64s, dict[str, Floats]]:
    """Give one sensor's instants and, per quantity, its value at each or NaN."""
    series = {name: reader.read(SeriesKey(sensor, name), from_ms, to_ms) for name in quantities}
    at_ms = np.unique(np.concatenate([np.empty(0, np.int64), *(one.at_ms for one in series.values())]))
    values = {}
    for name, one in series.items():
        values[name] = np.full(len(at_ms), np.nan)
        values[name][np.searchsorted(at_ms, one.at_ms)] = one.value
    return at_ms, values
