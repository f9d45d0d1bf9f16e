"""A wiring in words: rooms, windows, sensors, adapters, who is mailed, where things are kept."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final
from urllib.parse import urlsplit

from ingest.present import digits
from ingest.present.digits import Units, length_words
from ingest.settings.wiring import CentralWiring, MailWiring, PushWiring, Wiring
from ingest.site.places import AcclimationWindow, Bounds, Room, Sensor
from ingest.units import fahrenheit_from_celsius, feet_from_metres
from ingest.watch.rules.rulebook import RULEBOOK

MOST_SHOWN: Final = 8


def in_words(wiring: Wiring) -> Iterator[str]:
    """Give what this wiring would do, line by line, for people."""
    site = wiring.site
    yield f"{site.name}, time zone {site.time_zone}, {_elevation(site.elevation_m, wiring.units)} above sea level"
    for room in site.rooms:
        yield from _room(room, site.sensors_of(room.id), wiring.units)
    yield ""
    if wiring.adapters:
        yield "Readings come from:"
        yield from (f"  {adapter.name}: {_adapter(adapter.kind, adapter.settings)}" for adapter in wiring.adapters)
    else:
        yield "No adapter: readings come in over HTTP or by import only."
    yield _push(wiring)
    yield from _mail(wiring.mail)
    yield from _telling(wiring)
    yield from _central(wiring.central)
    if wiring.alive is not None:
        yield f"A sign of life every {_minutes(wiring.alive.every_s)}"
    for hook in wiring.webhooks:
        yield f"Web hook {hook.name}: {_shown(hook.address)}"
    yield from _push_listener(wiring.push)
    port = wiring.page.port
    yield f"The page: http://{wiring.page.listen}:{port}/" if port else f"The page: {wiring.page.listen}, any free port"
    days = wiring.keep_readings_days
    how_long = f" for {days} days, their statistics for ever" if days is not None else ""
    yield f"Readings are kept in {wiring.data_directory}{how_long}"


def _elevation(elevation_m: float, units: str) -> str:
    return f"{feet_from_metres(elevation_m):.0f} ft" if units == "us" else f"{elevation_m:.0f} m"


def _room(room: Room, sensors: tuple[Sensor, ...], units: str) -> Iterator[str]:
    holds = f", holds {room.holds}" if room.holds else ""
    yield f"\n{room.title} ({room.id}){holds}"
    if room.window is None:
        yield "  no window: shown and stored, no alerts"
    else:
        yield f"  window: {window_in_words(room.window, units)}"
        dwell_s = room.window.dwell_s
        yield f"  alert after {_minutes(dwell_s)} out of range" if dwell_s else "  alert at once when out of range"
        yield f"  all-clear after {_minutes(room.window.return_dwell_s)} back in range by the margin"
    for sensor in sensors:
        title = f" ({sensor.title})" if sensor.title else ""
        offline = f"offline after {_minutes(sensor.offline_after_s)}"
        yield f"  sensor {sensor.id}{title}: {_PLACES[sensor.place.value]}, {offline}"
    if not sensors:
        yield "  no sensor yet"
    if room.boards is not None:
        lot = room.boards
        thick, wide = (length_words(one, Units(units)) for one in (lot.thickness_mm, lot.width_mm))
        yield f"  the lot: {lot.species}, {thick} by {wide}; its moisture is estimated"
    also = _rules(room, sensors, units)
    if also:
        yield f"  further alerts: {also}"


def _rules(room: Room, sensors: tuple[Sensor, ...], units: str) -> str:
    """Say which rules beside the window apply, and from which figure on."""
    said = []
    for entry in RULEBOOK:
        of = [one for one in sensors if one.place in entry.places] if entry.places else [Sensor("", room.id)]
        found = [bounds for one in of if (bounds := entry.bounds(room, one)) is not None]
        if found:
            said.append(f"{digits.short(entry.quantity)} {_beyond(entry.quantity, found[0], Units(units))}")
    return "; ".join(said)


def _beyond(quantity: str, bounds: Bounds, units: Units) -> str:
    if bounds.low is None or bounds.high is None:
        limit = bounds.high if bounds.low is None else bounds.low
        assert limit is not None
        return f"{'above' if bounds.low is None else 'below'} {digits.limit(quantity, limit, units)}"
    if bounds.low == -bounds.high:
        return f"more than ±{digits.limit(quantity, bounds.high, units)}"
    return f"outside {digits.bounds_words(quantity, bounds, units)}"


_PLACES = {
    "air": "room air",
    "wood": "in the wood",
    "slab": "in the slab",
    "surface": "on a surface",
    "outdoors": "outdoors",
    "outlet": "at the dehumidifier's outlet",
}


def window_in_words(window: AcclimationWindow, units: str) -> str:
    """Say what a window asks for."""
    parts = []
    if window.temperature_c is not None:
        parts.append(_temperature(window.temperature_c, units))
    if window.rh_percent is not None:
        parts.append(f"{_ends(window.rh_percent.low, window.rh_percent.high)} % RH")
    if window.emc_percent is not None:
        parts.append(f"EMC {_ends(window.emc_percent.low, window.emc_percent.high)} %")
    return ", ".join(parts)


def _temperature(bounds: Bounds, units: str) -> str:
    if units != "us":
        return f"{_ends(bounds.low, bounds.high)} °C"
    ends = [None if end is None else fahrenheit_from_celsius(end) for end in (bounds.low, bounds.high)]
    return f"{_ends(*ends)} °F"


def _ends(low: float | None, high: float | None) -> str:
    if low is None:
        return f"at most {round(high or 0.0, 1):g}"
    return f"at least {round(low, 1):g}" if high is None else f"{round(low, 1):g} to {round(high, 1):g}"


def _minutes(seconds: float) -> str:
    minutes = seconds / 60
    return f"{minutes / 60:g} h" if minutes >= 120 and minutes % 60 == 0 else f"{minutes:g} min"


def _adapter(kind: str, settings: object) -> str:
    from adapters import registry

    summary = registry.load(kind).SUMMARY
    shown = [
        f"{setting.name} {_value(settings[setting.name])}"
        for setting in registry.load(kind).SETTINGS
        if isinstance(settings, dict) and not setting.secret and setting.required and setting.name in settings
    ]
    return f"{summary} ({', '.join(shown)})" if shown else summary


def _shown(address: str) -> str:
    """Give a web address without what may be a secret in it: login and query."""
    parts = urlsplit(address)
    query = "?…" if parts.query else ""
    return f"{parts.scheme}://{parts.netloc.rpartition('@')[2]}{parts.path}{query}"


def _value(value: object) -> str:
    """Say a setting's value shortly: of a list of tables whose they are, of a table what is what."""
    if isinstance(value, dict):
        return _some([f"{key} = {one}" for key, one in value.items()])
    if not isinstance(value, list | tuple):
        return _shown(value) if isinstance(value, str) and "://" in value else str(value)
    tables = [one for one in value if isinstance(one, dict)]
    if not tables:
        return " ".join(map(str, value))
    sensors = list(dict.fromkeys(str(one["sensor"]) for one in tables if "sensor" in one))
    return f"{len(value)} for {_some(sensors)}" if sensors else str(len(value))


def _some(texts: list[str]) -> str:
    shown = ", ".join(texts[:MOST_SHOWN])
    return f"{shown} and {len(texts) - MOST_SHOWN} more" if len(texts) > MOST_SHOWN else shown


def _push(wiring: Wiring) -> str:
    if wiring.page.push_token:
        return "Readings may be pushed from this computer with the token, or with keys of devices."
    return "Readings may be pushed from this computer with keys of devices (lumberroom device-key)."


def _push_listener(push: PushWiring | None) -> Iterator[str]:
    if push is None:
        return
    host = f"[{push.host}]" if ":" in push.host else push.host
    scheme = "https" if push.cert_file else "http"
    yield f"Devices hand readings in, each with its key, at {scheme}://{host}:{push.port}/api/v1/readings"


def _central(central: CentralWiring | None) -> Iterator[str]:
    if central is None:
        return
    address = central.address
    told = {"victoriametrics": "VictoriaMetrics", "influxdb": "InfluxDB"}[address.kind]
    bucket = f", bucket {address.bucket}" if address.kind == "influxdb" else ""
    back = "read back before they count as delivered" if central.read_back else "not read back"
    yield f'Readings are forwarded as site "{central.site_id}" to {address.url} ({told}{bucket}), {back}'


def _telling(wiring: Wiring) -> Iterator[str]:
    for one in wiring.telling.recipients:
        rooms = ", ".join(sorted(one.rooms)) or "all rooms"
        later = f", when nobody has answered for {_minutes(one.after_s)}" if one.after_s else ""
        digest = f", with a {one.digest} digest" if one.digest != "none" else ""
        told = f"{one.severity_from.value} and worse of {rooms}{later}{digest}"
        yield f"{one.who} is told by {one.channel} ({one.address}): {told}"
    for broker in wiring.telling.brokers:
        yield f"Alerts are published to {broker.where} under {broker.topic}"
    for command in wiring.telling.commands:
        yield f"Alerts are handed to {command.run[0]}"
    if wiring.page.public_address:
        yield f"Links in alerts lead to {wiring.page.public_address}"


def _mail(mail: MailWiring | None) -> Iterator[str]:
    if mail is None:
        yield "Nobody is mailed."
        return
    secured = {"starttls": "STARTTLS", "tls": "TLS", "none": "not encrypted"}[mail.security]
    login = f", login {mail.login}" if mail.login else ", no login"
    yield f"Mail goes to {', '.join(mail.recipients) or 'the recipients below'}"
    yield f"  from {mail.sender} by {mail.server}:{mail.port} ({secured}{login})"
