"""The overview and what one room's card says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from markupsafe import Markup

from dashboards.contexts import Fact, OverviewPage, RoomCard
from dashboards.gather_chart import LastDay, drawn, is_old, last_day, leading_sensor, picture
from dashboards.services import RoomStanding
from dashboards.view import LABELS, View
from ingest.present import words
from ingest.present.window_sheet import CARD
from ingest.site.incidents import RoomState
from ingest.site.places import Place, Room, Sensor
from ingest.site.series import Sample, SeriesKey


def overview(view: View) -> OverviewPage:
    """Gather the rooms at a glance, in the site's own order: a card stays where one has learned to look for it."""
    standings = {room.id: view.services.standing(room.id) for room in view.site.rooms}
    in_air = (sensor for sensor in view.site.sensors if sensor.place is Place.AIR)
    day = last_day(view, in_air)
    cards = tuple(_with_chart(view, room, standings[room.id], day) for room in view.site.rooms)
    return OverviewPage(view.shell("Rooms", "/"), cards, _summary(view.site.rooms, standings))


_NOT_WITHIN: Final = (RoomState.OUT, RoomState.DRIFTING, RoomState.RETURNING, RoomState.UNKNOWN)
MOST_NAMED: Final = 4


def _summary(rooms: Sequence[Room], standings: Mapping[str, RoomStanding]) -> str:
    if not rooms:
        return "This site has no rooms yet. Name them in the wiring file, or run lumberroom init."
    said = [_of_state(state, [room for room in rooms if standings[room.id].state is state]) for state in _NOT_WITHIN]
    within = sum(stood.state is RoomState.WITHIN for stood in standings.values())
    if within == len(rooms):
        said.append("Every room is within its window.")
    elif within:
        said.append(f"{within} {'room is within its window' if within == 1 else 'rooms are within their windows'}.")
    silent = sum(len(stood.silent) for stood in standings.values())
    if silent:
        said.append(f"{silent} {'sensor is' if silent == 1 else 'sensors are'} silent.")
    return " ".join(filter(None, said))


def _of_state(state: RoomState, rooms: Sequence[Room]) -> str:
    if not rooms:
        return ""
    names = words.listed([room.title for room in rooms]) if len(rooms) <= MOST_NAMED else f"{len(rooms)} rooms"
    said = words.STATE_WORDS[state]
    return words.sentence(f"{names}: {said if len(rooms) == 1 else said.replace('its window', 'their windows')}")


def _with_chart(view: View, room: Room, stood: RoomStanding, day: LastDay) -> RoomCard:
    return card(view, room, stood, drawn(picture(view, room, stood, day=day), CARD))


def card(view: View, room: Room, stood: RoomStanding, chart: Markup) -> RoomCard:
    """Gather one room's card.  chart: the picture on it."""
    sensor = leading_sensor(view, room, stood)
    latest = _latest(view, sensor)
    heard_ms = max((sample.at_ms for sample in latest.values()), default=None)
    facts = [view.fact(name, sample.value) for name, sample in latest.items()]
    return RoomCard(
        id=room.id,
        address=view.room_link(room.id),
        title=room.title,
        holds=room.holds,
        standing=view.standing(stood),
        facts=(*facts, *_in_wood(view, room, stood)),
        heard=view.ago(heard_ms),
        stale=sensor is None or is_old(view, sensor, heard_ms, stood),
        silent=view.titles(stood.silent),
        chart=chart,
    )


def _latest(view: View, sensor: Sensor | None) -> dict[str, Sample]:
    if sensor is None:
        return {}
    found = view.services.read.latest([SeriesKey(sensor.id, name) for name in LABELS])
    return {name: found[key] for name in LABELS if (key := SeriesKey(sensor.id, name)) in found}


def _in_wood(view: View, room: Room, stood: RoomStanding) -> list[Fact]:
    """Give the newest moisture content of the first probe in the wood that is heard, where there is one."""
    probes = [sensor for sensor in view.site.sensors_of(room.id, Place.WOOD) if sensor.id not in stood.silent]
    keys = [SeriesKey(sensor.id, "wood_mc_percent") for sensor in probes]
    latest = view.services.read.latest(keys)
    return [view.fact(key.quantity, latest[key].value) for key in keys if key in latest][:1]
