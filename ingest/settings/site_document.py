"""The site setup as a JSON document, for programs and for forms: what the settings file says, by other brackets.

The document has the keys of [site], [station] and [[room]] (`ingest.settings.forms`), with rooms and their sensors as
objects by id, so that a merge patch (RFC 7396) can name the one thing that it changes.
"""

from __future__ import annotations

import datetime as dt
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ingest.errors import InputError
from ingest.settings.findings import Findings
from ingest.settings.reading import FileReader
from ingest.settings.site_text import site_text
from ingest.site.places import Site


def document_of(site: Site) -> dict[str, Any]:
    """Give a site setup as a document: {"site": ..., "station": ..., "rooms": {id: {..., "sensors": {id: ...}}}}."""
    raw: dict[str, Any] = _plain(tomllib.loads(site_text(site)))
    rooms = raw.pop("room", [])
    raw["rooms"] = {
        room.pop("id"): room | {"sensors": {one.pop("id"): one for one in room.pop("sensor", [])}} for room in rooms
    }
    return raw


def site_of(document: Mapping[str, Any]) -> Site:
    """Give the site setup of a document, checked as the settings file is.

    Raises InputError: `what` lists every mistake, `where` is the place of the first one.
    """
    raw = {name: value for name, value in document.items() if name != "rooms"}
    raw["room"] = [_entry(room_id, room) for room_id, room in _items(document.get("rooms", {}), "rooms")]
    findings = Findings(raw, "")
    site = FileReader(Path.cwd(), findings, {}).site()
    if findings.mistakes or site is None:
        told = findings.in_order()
        what = "; ".join(f"{one.where}: {one.what}" for one in told[1:])
        raise InputError(told[0].what + (f"; {what}" if what else ""), where=told[0].where, mend=told[0].mend)
    return site


def merged(document: Any, patch: Any) -> Any:
    """Give a document after a merge patch: what it names is replaced, null takes away (RFC 7396, section 2)."""
    if not isinstance(patch, Mapping):
        return patch
    out = dict(document) if isinstance(document, Mapping) else {}
    for name, value in patch.items():
        if value is None:
            out.pop(name, None)
        else:
            out[name] = merged(out.get(name), value)
    return out


def patch_between(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """Give the merge patch that makes `after` of `before`."""
    patch: dict[str, Any] = {name: None for name in before if name not in after}
    for name, value in after.items():
        was = before.get(name)
        if isinstance(was, Mapping) and isinstance(value, Mapping):
            if inner := patch_between(was, value):
                patch[name] = inner
        elif was != value:
            patch[name] = value
    return patch


def _entry(room_id: str, room: Any) -> Any:
    if not isinstance(room, Mapping):
        raise InputError("a room is an object", where=f"rooms.{room_id}", mend='Write {"title": "…"}.')
    sensors = [
        {"id": sensor_id, **_mapping(sensor, f"rooms.{room_id}.sensors.{sensor_id}")}
        for sensor_id, sensor in _items(room.get("sensors", {}), f"rooms.{room_id}.sensors")
    ]
    return {"id": room_id, **{name: value for name, value in room.items() if name != "sensors"}, "sensor": sensors}


def _items(value: Any, where: str) -> list[tuple[str, Any]]:
    return list(_mapping(value, where).items())


def _mapping(value: Any, where: str) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise InputError("this is no object", where=where, mend='Write {"id": {…}}.')
    return value


def _plain(value: Any) -> Any:
    """Give TOML's dates as JSON has them: ISO 8601 texts."""
    if isinstance(value, dict):
        return {name: _plain(one) for name, one in value.items()}
    if isinstance(value, list):
        return [_plain(one) for one in value]
    return value.isoformat() if isinstance(value, dt.date) else value
