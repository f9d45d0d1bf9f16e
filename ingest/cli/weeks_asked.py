"""What `lumberroom weeks` was asked: which room, which stretch of time, judged by what."""

from __future__ import annotations

from typing import Final

from ingest.cli.exchange.instants import instant_ms
from ingest.cli.tables.measures import HUMIDITY, TEMPERATURE, Measure, read_measure
from ingest.errors import InputError, RefusedError, SettingsError
from ingest.practice.week_edges import weeks_touching
from ingest.site.places import AcclimationWindow, Bounds, Place, Room, Site
from ingest.site.series import Span
from ingest.store.api import StoreReader

Pair = tuple[str, str]

OPEN_END: Final = "-"
_RH: Final = HUMIDITY._replace(option="--rh", example="30 or 30%")
_EMC: Final = Measure("--emc", "%", "%", {"%": float}, 0.0, 40.0, "%", "6 or 6%")


def room_asked(reader: StoreReader, room_id: str) -> tuple[Site, Room]:
    """Give the site and its room of that id. Raises RefusedError where there is none."""
    site = reader.site()
    room = None if site is None else site.room(room_id)
    if site is None or room is None:
        known = [] if site is None else [one.id for one in site.rooms]
        raise RefusedError(
            f"there is no room {room_id[:60]!r}", where="--room", mend=f"There are: {', '.join(known) or 'none yet'}."
        )
    return site, room


def stretch_asked(
    reader: StoreReader, site: Site, room: Room, from_text: str | None, to_text: str | None, *, now_ms: int
) -> Span:
    """Give the stretch to look at.

    An end that was left out is that of the weeks in which anything was heard from the room's air, but no later than now
    (UTC ms).  Raises InputError where nothing ever was, SettingsError where the stretch is empty or an end unclear.
    """
    air = {sensor.id for sensor in site.sensors_of(room.id, Place.AIR)}
    told = [extent for extent in reader.extents() if extent.key.sensor in air]
    if not told:
        raise InputError(
            "nothing was ever heard from its air", where=f"room {room.id}", mend="It needs an air sensor with readings."
        )
    first_ms, end_ms = min(extent.first_ms for extent in told), max(extent.last_ms for extent in told) + 1
    weeks = weeks_touching(first_ms, end_ms, site.time_zone)
    from_ms = weeks[0].from_ms if from_text is None else instant_ms(from_text, site.time_zone, where="--from")
    last_ms = min(weeks[-1].to_ms, max(now_ms, end_ms))
    to_ms = last_ms if to_text is None else instant_ms(to_text, site.time_zone, where="--to")
    if from_ms >= to_ms:
        raise SettingsError(
            f"there is nothing from {from_text or 'the first reading'} to {to_text or 'the last reading'}",
            where="--from, --to",
            mend="The beginning must lie before the end; a bare date means its first moment.",
        )
    return Span(from_ms, to_ms)


def window_asked(
    room: Room, rh: Pair | None, emc: Pair | None, temperature: Pair | None, *, us_units: bool
) -> AcclimationWindow | None:
    """Give the window to judge by: what the options bound and nothing else, or without any of them the room's own.

    us_units: bare temperatures are in °F.  Raises SettingsError for what cannot be a bound.
    """
    if rh is None and emc is None and temperature is None:
        return room.window
    plain = AcclimationWindow() if room.window is None else room.window
    return AcclimationWindow(
        temperature_c=_bounds(temperature, TEMPERATURE, us_units=us_units),
        rh_percent=_bounds(rh, _RH),
        emc_percent=_bounds(emc, _EMC),
        dwell_s=plain.dwell_s,
    )


def _bounds(pair: Pair | None, measure: Measure, *, us_units: bool = False) -> Bounds | None:
    if pair is None:
        return None
    ends = [None if text == OPEN_END else read_measure(text, measure, us_units=us_units) for text in pair]
    try:
        return Bounds(*ends)
    except ValueError as error:
        raise SettingsError(
            str(error), where=f"{measure.option} {' '.join(pair)}", mend="Give LOW and HIGH, and - for an open end."
        ) from None
