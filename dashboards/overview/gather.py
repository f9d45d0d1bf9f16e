"""The overview and what one room's card says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from markupsafe import Markup

from dashboards.overview.context import OverviewPage, Said
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

_NOT_IN_RANGE: Final = (RoomState.OUT_OF_RANGE, RoomState.LEAVING_RANGE, RoomState.RECOVERING, RoomState.UNKNOWN)
_RANK: Final = {state: rank for rank, state in enumerate((*_NOT_IN_RANGE, RoomState.IN_RANGE))}
MOST_NAMED: Final = 4
MOST_CARDS: Final = 8
"""Of more rooms than this those that are in range stand in a list: what wants looking at is seen without scrolling."""

MOST_DRAWN: Final = 120
"""So many rooms have their picture at most: a browser has to hold them all."""


def overview(visit: Visit, charts: ChartsKept) -> OverviewPage:
    """Gather the rooms at a glance, the worst first; rooms that stand alike keep the site's own order.

    charts: those drawn lately.
    """
    standings = {room.id: visit.services.standing(room.id) for room in visit.site.rooms}
    rooms = sorted(visit.site.rooms, key=lambda room: _RANK[standings[room.id].state])
    with_card = [one for one in rooms if len(rooms) <= MOST_CARDS or standings[one.id].state is not RoomState.IN_RANGE]
    drawn = {room.id: room for room in with_card[:MOST_DRAWN]}
    in_air = [sensor for room in drawn.values() for sensor in visit.site.sensors_of(room.id, Place.AIR)]
    keys = [key for room in rooms for key in figures_of(visit, room, standings[room.id])]
    day = charts.days.last_day(visit, in_air, keys)

    def card_of(room: Room) -> RoomCard:
        stood = standings[room.id]
        chart = charts.chart(visit, room, stood, day, CARD) if room.id in drawn else Markup()
        return card(visit, room, stood, day.newest, chart)

    return OverviewPage(
        shell=visit.shell("Rooms", "/"),
        rooms=tuple(map(card_of, with_card)),
        listed=tuple(card_of(room) for room in rooms if room not in with_card),
        summary=tuple(_summary(rooms, standings)),
        not_drawn=_not_drawn(len(with_card) - len(drawn)),
    )


def _not_drawn(count: int) -> str:
    if count <= 0:
        return ""
    return f"{count} rooms stand here without their chart. Every room's own page has it."


def _summary(rooms: Sequence[Room], standings: Mapping[str, RoomStanding]) -> Iterator[Said]:
    if not rooms:
        yield Said("This site has no rooms yet. Name them in the settings file, or run lumberroom init.")
        return
    for state in _NOT_IN_RANGE:
        yield from _of_state(state, [room for room in rooms if standings[room.id].state is state])
    within = sum(stood.state is RoomState.IN_RANGE for stood in standings.values())
    if within == len(rooms):
        yield Said("Every room is in range.")
    elif within:
        yield Said(f"{within} {'room is in range' if within == 1 else 'rooms are in range'}.")
    offline = sum(len(stood.silent) for stood in standings.values())
    if offline:
        yield Said(f"{offline} {'sensor is' if offline == 1 else 'sensors are'} offline.")


def _of_state(state: RoomState, rooms: Sequence[Room]) -> Iterator[Said]:
    said = words.STATE_WORDS[state]
    if len(rooms) > MOST_NAMED:
        yield Said(f"{len(rooms)} rooms: {said}.", f"#room-{rooms[0].id}")
        return
    for number, room in enumerate(rooms, 1):
        yield Said(room.title, f"#room-{room.id}")
        yield Said(f": {said}." if number == len(rooms) else "," if number < len(rooms) - 1 else " and")


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
