"""One room's page: its bounds, its sensors, its incidents, and what its charts show."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

from markupsafe import Markup

from adapters.contract import QUANTITIES
from dashboards.charts_kept import ChartsKept
from dashboards.contexts import BoundRow, Fact, Newest, RoomPage, SensorRow
from dashboards.gather_chart import drawn, leading_sensor, past_picture, sensors_in
from dashboards.gather_history import history
from dashboards.gather_rooms import card, figures_of
from dashboards.gather_weeks import WeeksKept, weeks_table
from dashboards.looking_back import DAY_MS, MINUTE_MS, Look
from dashboards.services import RoomStanding
from dashboards.view import LABELS, View
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
    view: View, room: Room, *, look: Look, show: Sequence[str], kept: WeeksKept, charts: ChartsKept
) -> RoomPage:
    """Gather one room's page.

    look: the stretch to show.  show: what the time chart is of, as far as known.  kept: weeks asked for lately.
    charts: those drawn lately.
    """
    stood = view.services.standing(room.id)
    pair = _past_pair(view, room, stood, look.to_ms) if look.past else _pair(view, room, stood, charts)
    newest = view.services.read.latest(figures_of(view, room, stood))
    return RoomPage(
        shell=view.shell(room.title, ""),
        room=card(view, room, stood, newest, pair.wide),
        newest=_newest(view, room, look),
        then=pair.then,
        then_words=pair.then_words,
        bounds=_bounds(view, room, leading_sensor(view, room, stood)),
        window_words=_window_words(room),
        narrow_chart=pair.narrow,
        history=history(view, room, stood, look, show),
        weeks=weeks_table(view, kept, room, look),
        units_asked=view.units_asked,
        sensors=_sensors(view, room, stood),
        incidents=view.incidents(_incidents(view, room, look)),
        all_incidents=view.link("/incidents", room=room.id),
    )


class _Pair(NamedTuple):
    """The window chart for wide screens and for narrow ones.  then, then_words: where and what, of the past."""

    wide: Markup
    narrow: Markup
    then: str = ""
    then_words: str = ""


def _pair(view: View, room: Room, stood: RoomStanding, charts: ChartsKept) -> _Pair:
    day = charts.days.last_day(view, sensors_in(view, room, stood))
    return _Pair(*(charts.chart(view, room, stood, day, sheet, ident=ident) for sheet, ident in _SHEETS))


def _past_pair(view: View, room: Room, stood: RoomStanding, until_ms: int) -> _Pair:
    pictured = past_picture(view, room, stood, until_ms)
    wide, narrow = (drawn(pictured, sheet, ident=ident) for sheet, ident in _SHEETS)
    return _Pair(wide, narrow, pictured.then, describe_air(pictured))


_SHEETS: Final = ((WIDE, "wide-"), (NARROW, "narrow-"))


def _newest(view: View, room: Room, look: Look) -> Newest | None:
    """Say where the newest readings are, unless they are of the last day or in the stretch that is shown."""
    keys = [SeriesKey(sensor.id, name) for sensor in view.site.sensors_of(room.id) for name in QUANTITIES]
    newest_ms = max((sample.at_ms for sample in view.services.read.latest(keys).values()), default=None)
    if newest_ms is None or view.now_ms - newest_ms <= DAY_MS or look.from_ms <= newest_ms < look.to_ms:
        return None
    there = look.moved(newest_ms // MINUTE_MS * MINUTE_MS + MINUTE_MS - look.to_ms, view.now_ms)
    return Newest(view.full_instant(newest_ms), view.room_link(room.id, there))


def _incidents(view: View, room: Room, look: Look) -> list[Incident]:
    """Give the room's newest incidents, or those that were going on in a stretch of the past."""
    before_ms = look.to_ms if look.past else None
    found = view.services.read.incidents(room=room.id, limit=MOST_INCIDENTS, before_ms=before_ms)
    if not look.past:
        return found
    return [one for one in found if one.closed_ms is None or one.closed_ms > look.from_ms]


def _bounds(view: View, room: Room, sensor: Sensor | None) -> tuple[BoundRow, ...]:
    if room.window is None:
        return ()
    bounds = room.window.bounds()
    keys = {name: SeriesKey(sensor.id, name) for name in bounds} if sensor else {}
    latest = view.services.read.latest(list(keys.values()))
    rows = []
    for name, bound in bounds.items():
        now = latest[keys[name]].value if keys.get(name) in latest else None
        rows.append(
            BoundRow(
                title=LABELS[name],
                bounds=digits.bounds_words(name, bound, view.units),
                now=digits.amount(name, now, view.units),
                outside=now is not None and bound.excess(now) != 0,
            )
        )
    return tuple(rows)


def _window_words(room: Room) -> str:
    if room.window is None:
        return ""
    out, back = words.duration(room.window.dwell_s), words.duration(room.window.return_dwell_s)
    return f"Outside for {out} opens an incident; back inside, with a margin, for {back} closes it."


def _sensors(view: View, room: Room, stood: RoomStanding) -> tuple[SensorRow, ...]:
    heard = view.services.read.heard()
    return tuple(
        SensorRow(
            id=sensor.id,
            title=view.sensor_title(sensor),
            place=PLACE_WORDS[sensor.place],
            facts=_measured(view, sensor),
            heard=view.ago(heard.get(sensor.id)),
            silent=sensor.id in stood.silent,
        )
        for sensor in view.site.sensors_of(room.id)
    )


def _measured(view: View, sensor: Sensor) -> tuple[Fact, ...]:
    latest = view.services.read.latest([SeriesKey(sensor.id, name) for name in QUANTITIES])
    return tuple(view.fact(key.quantity, sample.value) for key, sample in latest.items())
