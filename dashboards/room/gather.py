"""One room's page: its bounds, its sensors, its incidents, and what its charts show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from markupsafe import Markup

from adapters.contract import QUANTITIES
from dashboards.overview.gather import card, figures_of
from dashboards.room.charts_kept import ChartsKept
from dashboards.room.context import BoundRow, Newest, RoomPage, SensorRow
from dashboards.room.history import history
from dashboards.room.weeks import WeeksKept, weeks_table
from dashboards.room.window_charts import drawn, leading_sensor, past_picture, sensors_in
from dashboards.services import RoomStanding
from dashboards.shell.contexts import Fact
from dashboards.shell.looking_back import DAY_MS, MINUTE_MS, Look
from dashboards.visit import LABELS, Visit
from ingest.present import digits, words
from ingest.present.window_picture import describe_air
from ingest.present.window_sheet import NARROW, WIDE
from ingest.site.incidents import Incident
from ingest.site.places import Place, Room, Sensor
from ingest.site.series import SeriesKey

MOST_INCIDENTS: Final = 12

PLACE_WORDS: Final = {
    Place.AIR: "in the room's air",
    Place.WOOD: "in the wood",
    Place.SLAB: "in the slab",
    Place.SURFACE: "on a surface",
    Place.OUTDOORS: "outdoors",
    Place.OUTLET: "at the dehumidifier's outlet",
}


def room_page(
    visit: Visit, room: Room, *, look: Look, show: Sequence[str], kept: WeeksKept, charts: ChartsKept
) -> RoomPage:
    """Gather one room's page.

    look: the stretch to show.  show: what the time chart is of, as far as known.  kept: weeks asked for lately.
    charts: those drawn lately.
    """
    stood = visit.services.standing(room.id)
    pair = _past_pair(visit, room, stood, look.to_ms) if look.past else _pair(visit, room, stood, charts)
    newest = visit.latest(figures_of(visit, room, stood))
    return RoomPage(
        shell=visit.shell(room.title, ""),
        room=card(visit, room, stood, newest, pair.wide),
        newest=_newest(visit, room, look),
        then=pair.then,
        then_words=pair.then_words,
        bounds=_bounds(visit, room, leading_sensor(visit, room, stood)),
        window_words=_window_words(room),
        narrow_chart=pair.narrow,
        history=history(visit, room, stood, look, show),
        weeks=weeks_table(visit, kept, room, look),
        units_asked=visit.units_asked,
        sensors=_sensors(visit, room, stood),
        incidents=visit.incidents(_incidents(visit, room, look)),
        all_incidents=visit.link("/incidents", room=room.id),
    )


class _Pair(NamedTuple):
    """The window chart for wide screens and for narrow ones.  then, then_words: where and what, of the past."""

    wide: Markup
    narrow: Markup
    then: str = ""
    then_words: str = ""


def _pair(visit: Visit, room: Room, stood: RoomStanding, charts: ChartsKept) -> _Pair:
    day = charts.days.last_day(visit, sensors_in(visit, room, stood))
    return _Pair(*(charts.chart(visit, room, stood, day, sheet, ident=ident) for sheet, ident in _SHEETS))


def _past_pair(visit: Visit, room: Room, stood: RoomStanding, until_ms: int) -> _Pair:
    pictured = past_picture(visit, room, stood, until_ms)
    wide, narrow = (drawn(pictured, sheet, ident=ident) for sheet, ident in _SHEETS)
    return _Pair(wide, narrow, pictured.then, describe_air(pictured))


_SHEETS: Final = ((WIDE, "wide-"), (NARROW, "narrow-"))


def _newest(visit: Visit, room: Room, look: Look) -> Newest | None:
    """Say where the newest readings are, unless they are of the last day or in the stretch that is shown."""
    keys = [SeriesKey(sensor.id, name) for sensor in visit.site.sensors_of(room.id) for name in QUANTITIES]
    newest_ms = max((sample.at_ms for sample in visit.latest(keys).values()), default=None)
    if newest_ms is None or visit.now_ms - newest_ms <= DAY_MS or look.from_ms <= newest_ms < look.to_ms:
        return None
    there = look.moved(newest_ms // MINUTE_MS * MINUTE_MS + MINUTE_MS - look.to_ms, visit.now_ms)
    return Newest(visit.full_instant(newest_ms), visit.room_link(room.id, there))


def _incidents(visit: Visit, room: Room, look: Look) -> list[Incident]:
    """Give the room's newest incidents, or those that were going on in a stretch of the past."""
    before_ms = look.to_ms if look.past else None
    found = visit.services.read.incidents(room=room.id, limit=MOST_INCIDENTS, before_ms=before_ms)
    if not look.past:
        return found
    return [one for one in found if one.closed_ms is None or one.closed_ms > look.from_ms]


def _bounds(visit: Visit, room: Room, sensor: Sensor | None) -> tuple[BoundRow, ...]:
    if room.window is None:
        return ()
    bounds = room.window.bounds()
    keys = {name: SeriesKey(sensor.id, name) for name in bounds} if sensor else {}
    latest = visit.latest(list(keys.values()))
    rows = []
    for name, bound in bounds.items():
        now = latest[keys[name]].value if keys.get(name) in latest else None
        rows.append(
            BoundRow(
                title=LABELS[name],
                bounds=digits.bounds_words(name, bound, visit.units),
                now=digits.amount(name, now, visit.units),
                outside=now is not None and bound.excess(now) != 0,
            )
        )
    return tuple(rows)


def _window_words(room: Room) -> str:
    if room.window is None:
        return ""
    out, back = words.duration(room.window.dwell_s), words.duration(room.window.return_dwell_s)
    return f"Outside for {out} opens an incident; back inside, with a margin, for {back} closes it."


def _sensors(visit: Visit, room: Room, stood: RoomStanding) -> tuple[SensorRow, ...]:
    heard = visit.services.read.heard()
    return tuple(
        SensorRow(
            id=sensor.id,
            title=visit.sensor_title(sensor),
            place=PLACE_WORDS[sensor.place],
            facts=_measured(visit, sensor),
            heard=visit.ago(heard.get(sensor.id)),
            silent=sensor.id in stood.silent,
        )
        for sensor in visit.site.sensors_of(room.id)
    )


def _measured(visit: Visit, sensor: Sensor) -> tuple[Fact, ...]:
    latest = visit.latest([SeriesKey(sensor.id, name) for name in QUANTITIES])
    return tuple(visit.fact(key.quantity, sample.value) for key, sample in latest.items())
