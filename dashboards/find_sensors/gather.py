"""The pages of what is within reach: the list, the page that gives one a room, and what became of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

from adapters.contract import QUANTITIES
from dashboards.find_sensors.context import (
    AssignedPage,
    AssignPage,
    KeyRow,
    NumberAsked,
    ReachFigure,
    ReachPage,
    SightingRow,
)
from dashboards.room.gather import PLACE_WORDS
from dashboards.services import NUMBERS_MAY_BE, Assigned, DeviceKeyStatus, Reach, Sighting
from dashboards.shell.contexts import Choice, Link
from dashboards.visit import SHORT_LABELS, Visit
from ingest.errors import LumberroomError
from ingest.present import digits, words
from ingest.site.places import Place

ADDRESS: Final = "/find-sensors"
CARRIED: Final = ("signal_dbm", "battery_percent")
"""Told beside a sensor's figures: of its radio and its battery, not of the air."""
MANY: Final = 200
NO_BREAK: Final = "\u00a0"
_WAYS: Final = {"serial": "Serial line", "bluetooth": "Bluetooth", "mqtt": "MQTT"}
_LEAST_SHOWN: Final = 0.05
_BY_PLACE: Final = {
    "wood_mc_percent": Place.WOOD,
    "slab_rh_percent": Place.SLAB,
    "slab_temperature_c": Place.SLAB,
    "surface_temperature_c": Place.SURFACE,
}
"""Where a sensor that tells this most likely is."""


def reach_page(visit: Visit, reach: Reach, keys: Sequence[DeviceKeyStatus]) -> ReachPage:
    """Gather the list."""
    rows = [(one, _row(visit, one)) for one in reach.sightings[:MANY]]
    return ReachPage(
        shell=visit.shell("Find sensors", ADDRESS),
        looking=_looking(visit, reach),
        tired=reach.tired,
        homeless=tuple(row for one, row in rows if not one.room),
        housed=tuple(row for one, row in rows if one.room),
        troubles=reach.troubles,
        keys=tuple(_key(visit, one) for one in keys),
        again=visit.link(f"{ADDRESS}/again"),
    )


def _looking(visit: Visit, reach: Reach) -> str:
    if visit.services.demo_speed is not None:
        return "A demonstration looks at no port, no radio and no broker."
    if reach.tired:
        return "Nothing is listened to any more: this page has been open for half an hour."
    if not reach.looking:
        return "Nothing is listened to just now."
    return f"Listening: {', '.join(reach.where)}. It ends by itself when nobody has this page open."


def _row(visit: Visit, one: Sighting) -> SightingRow:
    room = visit.site.room(one.room) if one.room else None
    can = not one.room and not one.lacks
    carried = [
        f"{digits.short(name)} {digits.amount(name, one.figures[name], visit.units)}".replace(" ", NO_BREAK)
        for name in CARRIED
        if name in one.figures
    ]
    return SightingRow(
        id=one.id,
        sensor=one.sensor if one.names_itself else f"{one.sensor} (to be named)",
        way=f"Heard by {one.read_by}" if one.read_by else _WAYS.get(one.way, one.way),
        address=one.address if one.way != "adapter" else "",
        figures=tuple(_figure(visit, name, one) for name in one.figures if name not in CARRIED),
        carried=tuple(carried),
        moving=one.moving,
        heard=visit.ago(one.heard_ms),
        note=one.note,
        assign=visit.link(f"{ADDRESS}/assign", which=one.id) if can else "",
        lacks=one.lacks,
        wiring=one.wiring,
        belongs=room.title if room else one.room,
    )


def _figure(visit: Visit, name: str, one: Sighting) -> ReachFigure:
    value, moved = one.figures[name], one.moved.get(name, 0.0)
    if name not in QUANTITIES:
        printed = _arrow(moved, f"{abs(moved):g}") if moved else ""
        return ReachFigure(name if name.startswith("/") else "Number", f"{value:g}", "", printed)
    shown = digits.figure(name, value, visit.units)
    said = _arrow(moved, digits.difference(name, moved, visit.units)) if abs(moved) >= _LEAST_SHOWN else ""
    return ReachFigure(SHORT_LABELS.get(name, digits.title(name)), shown.number, shown.unit, said)


def _arrow(moved: float, printed: str) -> str:
    return f"{'▲' if moved > 0 else '▼'} {printed}"


def _key(visit: Visit, key: DeviceKeyStatus) -> KeyRow:
    return KeyRow(
        name=key.name,
        sensors=", ".join(key.sensors),
        used="never used" if key.last_used_ms is None else f"used {visit.ago(key.last_used_ms)}",
        revoked="" if key.revoked_ms is None else f"revoked {visit.instant(key.revoked_ms)}",
    )


def assign_page(
    visit: Visit, one: Sighting, given: Mapping[str, str], refused: LumberroomError | None = None
) -> AssignPage:
    """Gather the form.  given: what was filled in.  refused: why it was not taken."""
    places = {tells for name, tells in _BY_PLACE.items() if name in one.figures}
    usual = next(iter(places)) if len(places) == 1 else Place.AIR
    place, room = given.get("place", usual.value), given.get("room", "")
    return AssignPage(
        shell=visit.shell("Assign to room", ADDRESS),
        sighting=_row(visit, one),
        names_itself=one.names_itself,
        needs_adapter=not one.read_by,
        rooms=tuple(Choice(found.id, found.title, found.id == room) for found in visit.site.rooms),
        places=tuple(Choice(found.value, said, found.value == place) for found, said in PLACE_WORDS.items()),
        quantities=_choices(given.get("quantity", "")) if one.asks_quantity else (),
        each=tuple(
            NumberAsked(f"each{n}", pointer, f"{one.figures[pointer]:g}", _choices(given.get(f"each{n}", "")))
            for n, pointer in enumerate(one.asks_each)
            if pointer in one.figures
        ),
        sensor=given.get("sensor", "") if not one.names_itself else one.sensor,
        title=given.get("title", ""),
        by=given.get("by", ""),
        wrong=refused.where if refused else "",
        said=words.sentence(f"{refused.what}. {refused.mend}") if refused else "",
        action=visit.link(f"{ADDRESS}/assign", which=one.id),
        back=visit.link(ADDRESS),
    )


def _choices(chosen: str) -> tuple[Choice, ...]:
    """Give what a number may be; a temperature's unit is said, for a number does not say it."""
    air = digits.title("temperature_c")
    titles = {"temperature_c": f"{air} (°C)", "temperature_f": f"{air} (°F)"}
    return tuple(Choice(name, titles.get(name) or digits.title(name), name == chosen) for name in NUMBERS_MAY_BE)


def assigned_page(visit: Visit, assigned: Assigned) -> AssignedPage:
    """Gather what became of it."""
    room = visit.site.room(assigned.room)
    return AssignedPage(
        shell=visit.shell("It has a room" if not assigned.to_copy else "It has a room; one thing is left", ADDRESS),
        done=assigned.done,
        to_copy=assigned.to_copy,
        room=Link(visit.room_link(assigned.room), room.title if room else assigned.room),
        back=visit.link(ADDRESS),
    )
