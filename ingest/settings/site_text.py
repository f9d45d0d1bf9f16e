"""The job as a text: the [site] and [[room]] sections of a settings file, written so that they read back the same."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict

from ingest.site.boards import Boards
from ingest.site.in_service import InService
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor, Site
from ingest.site.rules import Rules, StationRules

_DEFAULTS = AcclimationWindow()
_SENSOR = Sensor("x", "x")


def quoted(text: str) -> str:
    """Write a text as TOML does: JSON's escapes are a part of TOML's, which also wants DEL escaped."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def site_text(site: Site) -> str:
    """Write a job as TOML."""
    lines = [
        "[site]",
        f"name = {quoted(site.name)}",
        f"time_zone = {quoted(site.time_zone)}",
        f"elevation_m = {float(site.elevation_m)!r}",
    ]
    station = _limits(site.rules, StationRules())
    if station:
        lines += ["", "[station]", *station]
    for room in site.rooms:
        lines += ["", *room_lines(room, site.sensors_of(room.id))]
    return "\n".join(lines) + "\n"


def room_lines(room: Room, sensors: tuple[Sensor, ...]) -> Iterator[str]:
    """Write a room with its window and sensors, line by line."""
    yield "[[room]]"
    yield f"id = {quoted(room.id)}"
    yield f"title = {quoted(room.title)}"
    if room.holds:
        yield f"holds = {quoted(room.holds)}"
    if room.window is not None:
        yield "[room.window]"
        yield from window_lines(room.window)
    changed = _limits(room.rules, Rules())
    if changed:
        yield "[room.rules]"
        yield from changed
    if room.in_service is not None:
        yield from in_service_lines(room.in_service)
    if room.boards is not None:
        yield from boards_lines(room.boards)
    for phase in room.phases:
        yield "[[room.phase]]"
        yield f"name = {quoted(phase.name)}"
        yield f"first_day = {phase.first_day}"
        yield "[room.phase.window]"
        yield from window_lines(phase.window)
    for sensor in sensors:
        yield "[[room.sensor]]"
        yield from sensor_lines(sensor)


def _limits(rules: Rules | StationRules, defaults: Rules | StationRules) -> list[str]:
    changed = {name: limit for name, limit in asdict(rules).items() if limit != getattr(defaults, name)}
    return [f"{name} = {'false' if limit is None else repr(float(limit))}" for name, limit in changed.items()]


def in_service_lines(wood: InService) -> Iterator[str]:
    """Write the conditions in service."""
    yield "[room.in_service]"
    yield f"temperature_c = {_bounds(wood.temperature_c)}"
    yield f"rh_percent = {_bounds(wood.rh_percent)}"
    yield f"tolerance_percent = {float(wood.tolerance_percent)!r}"


def boards_lines(boards: Boards) -> Iterator[str]:
    """Write the boards, without what is as usual."""
    usual = Boards(boards.species, boards.thickness_mm, boards.width_mm)
    yield "[room.boards]"
    yield f"species = {quoted(boards.species)}"
    yield f"thickness_mm = {float(boards.thickness_mm)!r}"
    yield f"width_mm = {float(boards.width_mm)!r}"
    for name, value in asdict(boards).items():
        if value == getattr(usual, name):
            continue
        written = value if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else repr(value)
        yield f"{name} = {written}"


def window_lines(window: AcclimationWindow) -> Iterator[str]:
    """Write a window's bounds, times and margins."""
    for name, bounds in window.bounds().items():
        yield f"{name} = {_bounds(bounds)}"
    yield f"alert_after_minutes = {window.dwell_s / 60!r}"
    yield f"all_clear_after_minutes = {window.return_dwell_s / 60!r}"
    for name, margin in window.margins().items():
        if margin != _DEFAULTS.margins()[name]:
            yield f"margin_{name} = {float(margin)!r}"


def sensor_lines(sensor: Sensor) -> Iterator[str]:
    """Write a sensor."""
    yield f"id = {quoted(sensor.id)}"
    yield f"place = {quoted(sensor.place.value)}"
    if sensor.title:
        yield f"title = {quoted(sensor.title)}"
    yield f"offline_after_minutes = {sensor.offline_after_s / 60!r}"
    for name in ("accuracy_rh_percent", "accuracy_temperature_c"):
        if getattr(sensor, name) != getattr(_SENSOR, name):
            yield f"{name} = {float(getattr(sensor, name))!r}"
    if sensor.checked_on:
        yield f"checked_on = {sensor.checked_on}"
    if sensor.check_every_days != _SENSOR.check_every_days:
        yield f"check_every_days = {sensor.check_every_days}"


def _bounds(bounds: Bounds) -> str:
    if bounds.low is not None and bounds.high is not None:
        return f"[{float(bounds.low)!r}, {float(bounds.high)!r}]"
    if bounds.low is not None:
        return f"{{ low = {float(bounds.low)!r} }}"
    assert bounds.high is not None
    return f"{{ high = {float(bounds.high)!r} }}"
