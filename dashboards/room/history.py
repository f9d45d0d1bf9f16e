"""A room's history over a stretch of time: as a plan for the time chart, as a table, and where one may look next."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final

from adapters.contract import QUANTITIES
from dashboards.api.series_query import Stretch, edges_ms
from dashboards.room.context import SpanRow, TimeChart
from dashboards.room.window_charts import leading_sensor
from dashboards.services import RoomStanding
from dashboards.shell.contexts import Choice
from dashboards.shell.looking_back import SPANS, Look, as_text, day_of, end_of_day
from dashboards.visit import Visit
from ingest.physics.derived import DERIVED
from ingest.present import digits, words
from ingest.site.places import Room, Sensor
from ingest.site.series import Buckets, SeriesKey

USUAL_QUANTITIES: Final = ("rh_percent", "temperature_c", "emc_percent", "wood_mc_percent")


def history(visit: Visit, room: Room, stood: RoomStanding, look: Look, show: Sequence[str]) -> TimeChart:
    """Gather it.  show: the quantities; unknown ones are left out, and without any it is the usual ones."""
    sensors = visit.site.sensors_of(room.id)
    there = _told(visit, sensors)
    chosen = [name for name in dict.fromkeys(show) if name in there]
    shown = chosen or [name for name in USUAL_QUANTITIES if name in there]
    later, now = look.moved(look.length_ms, visit.now_ms), look.moved(visit.now_ms, visit.now_ms)
    return TimeChart(
        plan=json.dumps(_plan(visit, room, sensors, shown, look)),
        stretch=_stretch_words(visit, look),
        earlier=visit.room_link(room.id, look.moved(-look.length_ms, visit.now_ms), chosen),
        later=visit.room_link(room.id, later, chosen) if look.past else "",
        back_to_now=visit.room_link(room.id, now, chosen) if look.past else "",
        until=as_text(look.to_ms, visit.zone) if look.past else "",
        day=day_of(look.to_ms, visit.zone).isoformat() if look.past else "",
        today=day_of(visit.now_ms + 1, visit.zone).isoformat(),
        spans=tuple(Choice(name, one.title, name == look.span) for name, one in SPANS.items()),
        quantities=tuple(Choice(name, digits.title(name), name in shown) for name in there),
        head=tuple(f"{digits.title(name)}, {digits.unit(name, visit.units)}" for name in shown),
        rows=_rows(visit, _leading_of(visit, room, stood), shown, look),
    )


def _stretch_words(visit: Visit, look: Look) -> str:
    if look.past and end_of_day(look.from_ms, visit.zone) and end_of_day(look.to_ms, visit.zone):
        first, last = (words.day(at_ms, visit.site.time_zone) for at_ms in (look.from_ms, look.to_ms - 1))
        return first if first == last else f"{first} to {last}"
    if look.past:
        return f"{visit.full_instant(look.from_ms)} to {visit.full_instant(look.to_ms)}"
    return f"The last {SPANS[look.span].title.removeprefix('1 ')}, up to now"


def _leading_of(visit: Visit, room: Room, stood: RoomStanding) -> dict[str, Sensor]:
    """Give, per quantity, the sensor that the table follows: the room's leading one, else the first that tells it."""
    leading = leading_sensor(visit, room, stood)
    sensors = sorted(visit.site.sensors_of(room.id), key=lambda sensor: sensor != leading)
    names = (*QUANTITIES, *DERIVED)
    told = visit.latest([SeriesKey(sensor.id, name) for sensor in sensors for name in names])
    found: dict[str, Sensor] = {}
    for sensor in sensors:
        for name in names:
            if SeriesKey(sensor.id, name) in told:
                found.setdefault(name, sensor)
    return found


def _told(visit: Visit, sensors: Sequence[Sensor]) -> list[str]:
    """Give the quantities of which anything is stored, in the order in which people like to read them."""
    keys = [SeriesKey(sensor.id, name) for sensor in sensors for name in digits.DISPLAYS]
    told = {key.quantity for key in visit.latest(keys)}
    return [name for name in digits.DISPLAYS if name in told]


def _plan(visit: Visit, room: Room, sensors: Sequence[Sensor], shown: Sequence[str], look: Look) -> dict[str, Any]:
    window = visit.room_then(room, look.to_ms - 1).window if look.past else room.window
    bounds = window.bounds() if window else {}
    return {
        "room": room.id,
        "zone": visit.site.time_zone,
        "from": look.from_ms,
        "to": look.to_ms,
        "span": look.span,
        "until": as_text(look.to_ms, visit.zone) if look.past else "",
        "day": day_of(look.to_ms, visit.zone).isoformat() if look.past else "",
        "address": visit.room_link(room.id, look, shown).partition("#")[0],
        "sensors": {sensor.id: visit.sensor_title(sensor) for sensor in sensors},
        "quantities": [_quantity_plan(visit, name, bounds.get(name)) for name in shown],
    }


def _quantity_plan(visit: Visit, name: str, bounds: Any) -> dict[str, Any]:
    form = digits.display(name).form(visit.units)
    at_zero = float(form.shown(0.0))
    ends = (None, None) if bounds is None else (bounds.low, bounds.high)
    return {
        "name": name,
        "title": digits.title(name),
        "unit": form.unit,
        "decimals": form.decimals,
        # Every conversion for display is a straight line: shown = value * times + plus.
        "times": float(form.shown(1.0)) - at_zero,
        "plus": at_zero,
        "low": None if ends[0] is None else float(form.shown(ends[0])),
        "high": None if ends[1] is None else float(form.shown(ends[1])),
    }


def _rows(visit: Visit, leading: dict[str, Sensor], shown: Sequence[str], look: Look) -> tuple[SpanRow, ...]:
    edges = edges_ms(Stretch(look.from_ms, look.to_ms, SPANS[look.span].rows), visit.zone)
    columns = [(name, visit.services.read.buckets(SeriesKey(leading[name].id, name), edges)) for name in shown]
    rows = [
        SpanRow(
            when=f"{visit.instant(int(edges[index]))} to {visit.instant(int(edges[index + 1]))}",
            cells=tuple(_cell(visit, name, buckets, index) for name, buckets in columns),
            covered=_covered(max((float(buckets.coverage[index]) for _, buckets in columns), default=0.0)),
        )
        for index in range(len(edges) - 1)
    ]
    return tuple(rows[::-1])


def _cell(visit: Visit, name: str, buckets: Buckets, index: int) -> str:
    if not buckets.count[index]:
        return digits.NOTHING
    values = (buckets.minimum[index], buckets.mean[index], buckets.maximum[index])
    low, mean, high = (digits.figure(name, float(value), visit.units).number for value in values)
    return f"{low} … {mean} … {high}"


def _covered(share: float) -> str:
    return {0: "none", 100: "all"}.get(round(share * 100), f"{share * 100:.0f} %")
