"""One room's page: its bounds, its sensors, its history as a plan for the time chart and as a table."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, Final, NamedTuple

from adapters.contract import QUANTITIES
from dashboards.contexts import BoundRow, Choice, Fact, RoomPage, SensorRow, SpanRow, TimeChart
from dashboards.gather_rooms import card, chart, leading_sensor
from dashboards.series_query import Stretch, edges_ms
from dashboards.services import RoomStanding
from dashboards.view import LABELS, View
from ingest.physics.derived import DERIVED
from ingest.present import digits, words
from ingest.present.window_sheet import NARROW, WIDE
from ingest.site.places import Place, Room, Sensor
from ingest.site.series import Buckets, SeriesKey

_HOUR_MS: Final = 3_600_000
_DAY_MS: Final = 24 * _HOUR_MS


class _Span(NamedTuple):
    title: str
    length_ms: int
    rows: int  # of the table beside the chart


SPANS: Final[dict[str, _Span]] = {
    "6h": _Span("6 hours", 6 * _HOUR_MS, 8),
    "1d": _Span("24 hours", _DAY_MS, 14),
    "3d": _Span("3 days", 3 * _DAY_MS, 14),
    "7d": _Span("7 days", 7 * _DAY_MS, 9),
    "30d": _Span("30 days", 30 * _DAY_MS, 17),
    "90d": _Span("90 days", 91 * _DAY_MS, 15),
    "1y": _Span("1 year", 365 * _DAY_MS, 15),
}
"""How much of the past the time chart may show, by the name that stands in the address."""

USUAL_SPAN: Final = "3d"
USUAL_QUANTITIES: Final = ("rh_percent", "temperature_c", "emc_percent", "wood_mc_percent")
MOST_INCIDENTS: Final = 12

PLACE_WORDS: Final = {
    Place.AIR: "in the room's air",
    Place.WOOD: "in the wood",
    Place.SLAB: "in the slab",
    Place.SURFACE: "on a surface",
    Place.OUTDOORS: "outdoors",
}


def room_page(view: View, room: Room, *, span: str | None, show: Sequence[str]) -> RoomPage:
    """Gather one room's page.  span: a name in `SPANS`.  show: quantities of the time chart; unknown ones are left."""
    stood = view.services.standing(room.id)
    incidents = view.services.read.incidents(room=room.id, limit=MOST_INCIDENTS)
    return RoomPage(
        shell=view.shell(room.title, ""),
        room=card(view, room, stood),
        bounds=_bounds(view, room, leading_sensor(view, room, stood)),
        window_words=_window_words(room),
        wide_chart=chart(view, room, stood, WIDE, ident="wide-"),
        narrow_chart=chart(view, room, stood, NARROW, ident="narrow-"),
        history=_history(view, room, stood, span if span in SPANS else USUAL_SPAN, show),
        units_asked="" if view.units is view.services.units else view.units.value,
        sensors=_sensors(view, room, stood),
        incidents=tuple(view.incident(one) for one in incidents),
    )


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


def _history(view: View, room: Room, stood: RoomStanding, span: str, show: Sequence[str]) -> TimeChart:
    sensors = view.site.sensors_of(room.id)
    there = _told(view, sensors)
    shown = [name for name in dict.fromkeys(show) if name in there] or [n for n in USUAL_QUANTITIES if n in there]
    length_ms = SPANS[span].length_ms
    return TimeChart(
        plan=json.dumps(_plan(view, room, sensors, shown, view.now_ms - length_ms)),
        spans=tuple(Choice(name, one.title, name == span) for name, one in SPANS.items()),
        quantities=tuple(Choice(name, digits.title(name), name in shown) for name in there),
        head=tuple(f"{digits.title(name)}, {digits.unit(name, view.units)}" for name in shown),
        rows=_rows(view, _leading_of(view, room, stood), shown, span),
    )


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


def _plan(view: View, room: Room, sensors: Sequence[Sensor], shown: Sequence[str], from_ms: int) -> dict[str, Any]:
    bounds = room.window.bounds() if room.window else {}
    return {
        "room": room.id,
        "zone": view.site.time_zone,
        "from": from_ms,
        "to": view.now_ms,
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


def _rows(view: View, leading: dict[str, Sensor], shown: Sequence[str], span: str) -> tuple[SpanRow, ...]:
    asked = Stretch(view.now_ms - SPANS[span].length_ms, view.now_ms, SPANS[span].rows)
    edges = edges_ms(asked, view.zone)
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
