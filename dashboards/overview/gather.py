"""The overview and what one room's card says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from markupsafe import Markup

from dashboards.overview.context import OverviewPage
from dashboards.room.charts_kept import ChartsKept
from dashboards.room.window_charts import is_old, leading_sensor
from dashboards.services import RoomStanding
from dashboards.shell.contexts import Fact, RoomCard
from dashboards.visit import LABELS, Visit
from ingest.present import words
from ingest.present.window_sheet import CARD
from ingest.site.incidents import RoomState
from ingest.site.places import Place, Room, Sensor
from ingest.site.series import Sample, SeriesKey

_NOT_WITHIN: Final = (RoomState.OUT_OF_RANGE, RoomState.LEAVING_RANGE, RoomState.RECOVERING, RoomState.UNKNOWN)
MOST_NAMED: Final = 4
MOST_DRAWN: Final = 120
"""Of more rooms than this only those have their picture on the overview that are not in range: nobody
looks at a thousand pictures, and a browser has to hold them all."""


def overview(visit: Visit, charts: ChartsKept) -> OverviewPage:
    """Gather the rooms at a glance, in the site's own order: a card stays where one has learned to look for it.

    charts: those drawn lately.
    """
    rooms = visit.site.rooms
    standings = {room.id: visit.services.standing(room.id) for room in rooms}
    drawn = _to_draw(rooms, standings)
    in_air = [sensor for room in drawn.values() for sensor in visit.site.sensors_of(room.id, Place.AIR)]
    keys = [key for room in rooms for key in figures_of(visit, room, standings[room.id])]
    day = charts.days.last_day(visit, in_air, keys)

    def chart_of(room: Room) -> Markup:
        return charts.chart(visit, room, standings[room.id], day, CARD) if room.id in drawn else Markup()

    cards = tuple(card(visit, room, standings[room.id], day.newest, chart_of(room)) for room in rooms)
    return OverviewPage(
        shell=visit.shell("Rooms", "/"),
        rooms=cards,
        summary=_summary(rooms, standings),
        not_drawn=_not_drawn(len(rooms) - len(drawn)),
    )


def _to_draw(rooms: Sequence[Room], standings: Mapping[str, RoomStanding]) -> dict[str, Room]:
    """Give the rooms that get a picture: all of them, or of many those that want looking at, the worst first."""
    if len(rooms) <= MOST_DRAWN:
        return {room.id: room for room in rooms}
    wanting = [room for state in _NOT_WITHIN for room in rooms if standings[room.id].state is state]
    return {room.id: room for room in wanting[:MOST_DRAWN]}


def _not_drawn(count: int) -> str:
    if not count:
        return ""
    return (
        f"{count} rooms stand here without their picture: of more than {MOST_DRAWN} only those are drawn that are "
        f"not in range, {MOST_DRAWN} at most. Every room's own page has it."
    )


def _summary(rooms: Sequence[Room], standings: Mapping[str, RoomStanding]) -> str:
    if not rooms:
        return "This site has no rooms yet. Name them in the settings file, or run lumberroom init."
    said = [_of_state(state, [room for room in rooms if standings[room.id].state is state]) for state in _NOT_WITHIN]
    within = sum(stood.state is RoomState.IN_RANGE for stood in standings.values())
    if within == len(rooms):
        said.append("Every room is in range.")
    elif within:
        said.append(f"{within} {'room is in range' if within == 1 else 'rooms are in range'}.")
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


def figures_of(visit: Visit, room: Room, stood: RoomStanding) -> list[SeriesKey]:
    """Give the series whose newest samples may stand on a room's card."""
    sensor = leading_sensor(visit, room, stood)
    return [*_in_air(sensor), *_in_wood(visit, room, stood)]


def card(visit: Visit, room: Room, stood: RoomStanding, newest: Mapping[SeriesKey, Sample], chart: Markup) -> RoomCard:
    """Gather one room's card.  newest: samples of `figures_of` it, among others.  chart: the picture on it."""
    sensor = leading_sensor(visit, room, stood)
    latest = {key.quantity: newest[key] for key in _in_air(sensor) if key in newest}
    heard_ms = max((sample.at_ms for sample in latest.values()), default=None)
    facts = [visit.fact(name, sample.value) for name, sample in latest.items()]
    return RoomCard(
        id=room.id,
        address=visit.room_link(room.id),
        title=room.title,
        holds=room.holds,
        standing=visit.standing(stood),
        facts=(*facts, *_of_wood(visit, room, stood, newest)),
        heard=visit.ago(heard_ms),
        stale=sensor is None or is_old(visit, sensor, heard_ms, stood),
        silent=visit.titles(stood.silent),
        chart=chart,
    )


def _in_air(sensor: Sensor | None) -> list[SeriesKey]:
    return [] if sensor is None else [SeriesKey(sensor.id, name) for name in LABELS]


def _in_wood(visit: Visit, room: Room, stood: RoomStanding) -> list[SeriesKey]:
    probes = [sensor for sensor in visit.site.sensors_of(room.id, Place.WOOD) if sensor.id not in stood.silent]
    return [SeriesKey(sensor.id, "wood_mc_percent") for sensor in probes]


def _of_wood(visit: Visit, room: Room, stood: RoomStanding, newest: Mapping[SeriesKey, Sample]) -> list[Fact]:
    """Give the newest moisture content of the first probe in the wood that is heard, where there is one."""
    keys = _in_wood(visit, room, stood)
    return [visit.fact(key.quantity, newest[key].value) for key in keys if key in newest][:1]
