"""A room's history over a stretch of time: as a plan for the time chart, as a table, and where one may look next."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final

from adapters.contract import QUANTITIES
from dashboards.contexts import Choice, SpanRow, TimeChart
from dashboards.gather_chart import leading_sensor
from dashboards.looking_back import SPANS, Look, as_text, day_of, end_of_day
from dashboards.series_query import Stretch, edges_ms
from dashboards.services import RoomStanding
from dashboards.view import View
from ingest.physics.derived import DERIVED
from ingest.present import digits, words
from ingest.site.places import Room, Sensor
from ingest.site.series import Buckets, SeriesKey

USUAL_QUANTITIES: Final = ("rh_percent", "temperature_c", "emc_percent", "wood_mc_percent")


def history(view: View, room: Room, stood: RoomStanding, look: Look, show: Sequence[str]) -> TimeChart:
    """Gather it.  show: the quantities; unknown ones are left out, and without any it is the usual ones."""
    sensors = view.site.sensors_of(room.id)
    there = _told(view, sensors)
    chosen = [name for name in dict.fromkeys(show) if name in there]
    shown = chosen or [name for name in USUAL_QUANTITIES if name in there]
    later, now = look.moved(look.length_ms, view.now_ms), look.moved(view.now_ms, view.now_ms)
    return TimeChart(
        plan=json.dumps(_plan(view, room, sensors, shown, look)),
        stretch=_stretch_words(view, look),
        earlier=view.room_link(room.id, look.moved(-look.length_ms, view.now_ms), chosen),
        later=view.room_link(room.id, later, chosen) if look.past else "",
        back_to_now=view.room_link(room.id, now, chosen) if look.past else "",
        until=as_text(look.to_ms, view.zone) if look.past else "",
        day=day_of(look.to_ms, view.zone).isoformat() if look.past else "",
        today=day_of(view.now_ms + 1, view.zone).isoformat(),
        spans=tuple(Choice(name, one.title, name == look.span) for name, one in SPANS.items()),
        quantities=tuple(Choice(name, digits.title(name), name in shown) for name in there),
        head=tuple(f"{digits.title(name)}, {digits.unit(name, view.units)}" for name in shown),
        rows=_rows(view, _leading_of(view, room, stood), shown, look),
    )


def _stretch_words(view: View, look: Look) -> str:
    if look.past and end_of_day(look.from_ms, view.zone) and end_of_day(look.to_ms, view.zone):
        first, last = (words.day(at_ms, view.site.time_zone) for at_ms in (look.from_ms, look.to_ms - 1))
        return first if first == last else f"{first} to {last}"
    if look.past:
        return f"{view.full_instant(look.from_ms)} to {view.full_instant(look.to_ms)}"
    return f"The last {SPANS[look.span].title.removeprefix('1 ')}, up to now"


def _leading_of(view: View, room: Room, stood: RoomStanding) -> dict[str, Sensor]:
    """Give, per quantity, the sensor that the table follows: the room's leading one, else the first that tells it."""
    leading = leading_sensor(view, room, stood)
    sensors = sorted(view.site.sensors_of(room.id), key=lambda sensor: sensor != leading)
    names = (*QUANTITIES, *DERIVED)
    told = view.services.read.latest([SeriesKey(sensor.id, name) for sensor in sensors for name in names])
    found: dict[str, Sensor] = {}
    for sensor in sensors:
        for name in names:
            if SeriesKey(sensor.id, name) in told:
                found.setdefault(name, sensor)
    return found


def _told(view: View, sensors: Sequence[Sensor]) -> list[str]:
    """Give the quantities of which anything is stored, in the order in which people like to read them."""
    keys = [SeriesKey(sensor.id, name) for sensor in sensors for name in digits.DISPLAYS]
    told = {key.quantity for key in view.services.read.latest(keys)}
    return [name for name in digits.DISPLAYS if name in told]


def _plan(view: View, room: Room, sensors: Sequence[Sensor], shown: Sequence[str], look: Look) -> dict[str, Any]:
    bounds = room.window.bounds() if room.window else {}
    return {
        "room": room.id,
        "zone": view.site.time_zone,
        "from": look.from_ms,
        "to": look.to_ms,
        "span": look.span,
        "until": as_text(look.to_ms, view.zone) if look.past else "",
        "day": day_of(look.to_ms, view.zone).isoformat() if look.past else "",
        "address": view.room_link(room.id, look, shown).partition("#")[0],
        "sensors": {sensor.id: view.sensor_title(sensor) for sensor in sensors},
        "quantities": [_quantity_plan(view, name, bounds.get(name)) for name in shown],
    }


def _quantity_plan(view: View, name: str, bounds: Any) -> dict[str, Any]:
    form = digits.display(name).form(view.units)
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


def _rows(view: View, leading: dict[str, Sensor], shown: Sequence[str], look: Look) -> tuple[SpanRow, ...]:
    edges = edges_ms(Stretch(look.from_ms, look.to_ms, SPANS[look.span].rows), view.zone)
    columns = [(name, view.services.read.buckets(SeriesKey(leading[name].id, name), edges)) for name in shown]
    rows = [
        SpanRow(
            when=f"{view.instant(int(edges[index]))} to {view.instant(int(edges[index + 1]))}",
            cells=tuple(_cell(view, name, buckets, index) for name, buckets in columns),
            covered=_covered(max((float(buckets.coverage[index]) for _, buckets in columns), default=0.0)),
        )
        for index in range(len(edges) - 1)
    ]
    return tuple(rows[::-1])


def _cell(view: View, name: str, buckets: Buckets, index: int) -> str:
    if not buckets.count[index]:
        return digits.NOTHING
    values = (buckets.minimum[index], buckets.mean[index], buckets.maximum[index])
    low, mean, high = (digits.figure(name, float(value), view.units).number for value in values)
    return f"{low} … {mean} … {high}"


def _covered(share: float) -> str:
    return {0: "none", 100: "all"}.get(round(share * 100), f"{share * 100:.0f} %")
