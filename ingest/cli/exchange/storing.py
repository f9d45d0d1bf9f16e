"""Readings of a file into a store: checked as those of a sensor are, each portion in one transaction.

Nothing is half-written: a portion is stored whole or not at all. A broken-off import is simply run again: what is there
already counts as repeated. Readings that are brought in so do not count as having heard the sensor, and are not judged
here: it is noted that they are to be, and the daemon does so (`ingest.watch.window.arrears`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Final

from adapters.contract import Reading
from ingest.cli.exchange.reading import Portion, Trouble
from ingest.errors import RefusedError
from ingest.runtime.checking import fault
from ingest.site.actor import Actor, Where
from ingest.site.places import ROOM_ID, Room, Sensor, Site
from ingest.site.series import ReadingBatch
from ingest.store.sqlite_store import SqliteStore
from ingest.watch.window import arrears

TOO_LATE: Final = "the readings around them went by keep_readings_days, so their statistics are final"


@dataclass(slots=True)
class Counts:
    """What became of a file's readings.

    unassigned: readings of sensors that belong to no room, per sensor.  doubled: rows whose time stands twice on the
    clocks.
    """

    stored: int = 0
    repeated: int = 0
    amended: int = 0
    rejected: Counter[str] = field(default_factory=Counter)
    unassigned: Counter[str] = field(default_factory=Counter)
    added: list[str] = field(default_factory=list)
    doubled: int = 0


def job_for(store: SqliteStore, room: str | None) -> Site:
    """Give the job that the readings belong to, with `room` added to it where it is not there (nothing is saved yet).

    room: where sensors that the job does not know are put; None refuses those.  Raises RefusedError for what is no
    room's id, and when there is no job at all and no room to begin one with.
    """
    site = store.read.site()
    if site is None and room is None:
        raise RefusedError(
            "there is no job in this store yet, so no sensor belongs to a room",
            where=str(store.path),
            mend="Bring the site setup in first (lumberroom site apply FILE), or name a room with --room.",
        )
    site = site or Site("Imported readings")
    if room is None or site.room(room) is not None:
        return site
    if not ROOM_ID.fullmatch(room):
        raise RefusedError(
            f"{room[:60]!r} cannot be a room's id", where="--room", mend="Use lower-case letters, digits and hyphens."
        )
    return replace(site, rooms=(*site.rooms, Room(room, room)))


def store_portions(
    store: SqliteStore,
    portions: Iterable[Portion],
    *,
    room: str | None,
    now_ms: int,
    tell: Callable[[Trouble], None],
) -> Counts:
    """Check and store portion by portion.

    room: where sensors that the job does not know are put; None leaves their readings out.  now_ms: our clock (UTC).
    tell: called with each reading or row that is refused.  Raises StorageError, RefusedError.
    """
    site, counts = job_for(store, room), Counts()
    for portion in portions:
        good = _good(portion, now_ms, tell, counts)
        counts.doubled += portion.doubled
        before = site
        if room is None:
            good = _without_unassigned(good, site, counts)
        else:
            site = _with_new_sensors(good, site, room, counts)
        _store(store, good, site, site is not before, now_ms, counts)
    return counts


def _without_unassigned(readings: list[Reading], site: Site, counts: Counts) -> list[Reading]:
    """Leave out, and count, the readings of sensors that the job does not know."""
    known = {sensor.id for sensor in site.sensors}
    counts.unassigned.update(reading.sensor for reading in readings if reading.sensor not in known)
    return [reading for reading in readings if reading.sensor in known]


def _with_new_sensors(readings: list[Reading], site: Site, room: str, counts: Counts) -> Site:
    """Give the job with the sensors that it does not know yet in `room`; the same object where there are none."""
    known = {sensor.id for sensor in site.sensors}
    new = [sensor for sensor in dict.fromkeys(reading.sensor for reading in readings) if sensor not in known]
    counts.added += new
    return replace(site, sensors=(*site.sensors, *(Sensor(sensor, room) for sensor in new))) if new else site


def _good(portion: Portion, now_ms: int, tell: Callable[[Trouble], None], counts: Counts) -> list[Reading]:
    """Give the readings that may be true, and tell of the rest."""
    good, troubles = [], list(portion.troubles)
    for reading, where in zip(portion.readings, portion.where, strict=True):
        why = fault(reading, now_ms)
        if why is None:
            good.append(reading)
        else:
            troubles.append(Trouble(where, why, f"{reading.quantity} {reading.value!r}"))
    for trouble in troubles:
        counts.rejected[trouble.why] += 1
        tell(trouble)
    return good


def _store(store: SqliteStore, readings: list[Reading], job: Site, is_new: bool, now_ms: int, counts: Counts) -> None:
    if not readings:
        return
    with store.transaction() as work:
        if is_new:
            work.save_site(job, at_ms=now_ms, by=Actor(Where.COMMAND, "import"))
        batch = ReadingBatch.of(readings)
        appended = work.append(batch, heard_ms=now_ms, live=False)
        if appended.stored or appended.amended:
            arrears.note_unjudged(work, job, work.news(batch))
    counts.stored += appended.stored
    counts.repeated += appended.repeated
    counts.amended += appended.amended
    if appended.too_late:
        counts.rejected[TOO_LATE] += appended.too_late
