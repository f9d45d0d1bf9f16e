"""The settings file's sections as strict forms (pydantic): every key, its kind, its range, its default, its meaning.

Nothing here opens anything. What concerns several keys at once is in `ingest.settings.crosschecks`; the sentences that
people read are made in `ingest.settings.sentences`.
"""

from __future__ import annotations

import datetime as dt
import ipaddress
import zoneinfo
from collections.abc import Callable
from email.headerregistry import Address
from functools import partial
from typing import Annotated, Any, Final, Literal
from urllib.parse import urlsplit

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, PlainValidator
from pydantic_core import PydanticCustomError

from adapters.contract import QUANTITIES, SENSOR_ID
from ingest.errors import InputError
from ingest.physics.board import HIGHEST_MC_PERCENT
from ingest.physics.species import find_species
from ingest.settings.findings import nearest
from ingest.settings.wiring import DEFAULT_LISTEN, DEFAULT_PORT, GATHER_S
from ingest.site.in_service import PLANK_TOLERANCE_PERCENT
from ingest.site.places import ROOM_ID, AcclimationWindow, Bounds, Sensor
from ingest.site.rules import Rules, StationRules
from ingest.store.series.retention import FEWEST_DAYS, MOST_DAYS
from ingest.units import celsius_from_fahrenheit

HIGHEST_EMC_PERCENT: Final = 30.0
"""About the fibre saturation point: no EMC lies above it (Wood Handbook, chapter 4: it averages about 30 %)."""

Title = Annotated[str, Field(min_length=1, max_length=120)]


def wrong(what: str, mend: str) -> PydanticCustomError:
    """Make the error of one key: what is wrong with it, without a full stop, and how to mend it."""
    return PydanticCustomError("wrong", "{what}", {"what": what, "mend": mend})


def _time_zone(name: str) -> str:
    zones = zoneinfo.available_timezones()
    if name in zones:
        return name
    near = nearest(name, zones)
    hint = f'Did you mean "{near}"?' if near else 'Use an IANA name such as "Europe/Berlin" or "America/Chicago".'
    raise wrong("there is no time zone of that name", hint)


def _loopback(address: str) -> str:
    if address == "localhost":
        return DEFAULT_LISTEN
    try:
        if ipaddress.ip_address(address).is_loopback:
            return address
    except ValueError:
        raise wrong("this is not an address", f'Use listen = "{DEFAULT_LISTEN}".') from None
    raise wrong(
        "the page would be open to everyone on the network, and it has no access control yet",
        f'Use listen = "{DEFAULT_LISTEN}"; from another computer, reach it through an SSH tunnel: '
        f"ssh -L {DEFAULT_PORT}:{DEFAULT_LISTEN}:{DEFAULT_PORT} user@this-computer",
    )


def mail_address(text: str) -> str:
    try:
        domain = Address(addr_spec=text).domain
    except (ValueError, IndexError, AttributeError):
        domain = ""
    if not domain or not text.isascii() or not text.isprintable() or len(text) > 254:
        raise wrong("this is not a mail address", 'Write it plainly: "name@example.org".')
    return text


def room_id(text: str) -> str:
    if not ROOM_ID.fullmatch(text):
        raise wrong(
            "this cannot be the id of a room",
            'Use 1 to 40 lower-case letters, digits and hyphens, such as "oak-store"; the title is free text.',
        )
    return text


def entry_name(text: str) -> str:
    if not ROOM_ID.fullmatch(text):
        raise wrong(
            "this cannot be the name of an adapter",
            'Use 1 to 40 lower-case letters, digits and hyphens, such as "hall-serial".',
        )
    return text


def _site_id(text: str) -> str:
    if not ROOM_ID.fullmatch(text):
        raise wrong(
            "this cannot be the id of a site",
            'Use 1 to 40 lower-case letters, digits and hyphens, such as "lakeside-house"; no two sites may share one.',
        )
    return text


def _engine_url(text: str) -> str:
    parts = urlsplit(text)
    if parts.scheme not in {"http", "https"} or not parts.hostname or not text.isprintable() or " " in text:
        raise wrong("this is not a web address", 'Write it like "http://engine.example.org:8428".')
    if parts.username is not None or parts.query or parts.fragment:
        raise wrong(
            "an address holds no login and no query",
            'A login goes into token_env or token_file, as "user:password".',
        )
    return text


def _sensor_id(text: str) -> str:
    if not SENSOR_ID.fullmatch(text):
        raise wrong(
            "this cannot be the id of a sensor",
            "Use what the sensor itself sends: a letter or digit first, then letters, digits and any of - : . _ /, "
            "120 characters at most.",
        )
    return text


def refuse_secret(key: str, variable: str, value: object) -> object:
    raise wrong(
        "secrets do not belong in the settings file, which gets copied, mailed and kept in backups",
        f'Put it into an environment variable and name that: {key}_env = "{variable}", or into a file '
        f'that only the daemon may read: {key}_file = "{key}.secret". Then delete this line.',
    )


def _same(value: float) -> float:
    return value


def _bounds(minimum: float, maximum: float, unit: str, to_si: Callable[[float], float], value: Any) -> Bounds:
    example = "Write [low, high], or { low = 40 } or { high = 60 } where only one end matters."
    if isinstance(value, list) and len(value) == 2:
        ends: dict[Any, Any] = {"low": value[0], "high": value[1]}
    elif isinstance(value, dict) and value and set(value) <= {"low", "high"}:
        ends = value
    else:
        raise wrong("this is not a pair of bounds", example)
    for end in ends.values():
        if isinstance(end, bool) or not isinstance(end, int | float):
            raise wrong("the ends of a window must be numbers", example)
        if not minimum <= end <= maximum:  # nan fails as well
            raise wrong(f"{end:g} cannot be true", f"Use {minimum:g} to {maximum:g} {unit}.")
    try:
        return Bounds(**{name: to_si(float(end)) for name, end in ends.items()})
    except ValueError:
        raise wrong(
            f"the low end {ends['low']:g} does not lie below the high end {ends['high']:g}",
            "Write the lower number first.",
        ) from None


def _bounds_of(minimum: float, maximum: float, unit: str, to_si: Callable[[float], float] = _same) -> PlainValidator:
    return PlainValidator(partial(_bounds, minimum, maximum, unit, to_si))


_TEMPERATURE = QUANTITIES["temperature_c"]
Minutes = Annotated[float, Field(ge=0, le=14 * 24 * 60)]
_DEFAULTS = AcclimationWindow()
_SENSOR = Sensor("x", "x")


class Form(BaseModel):
    """What all sections share: nothing is converted by guess, and no key is ignored."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


class SiteForm(Form):
    """[site]."""

    name: Title = Field(examples=['"Lakeside house"'])
    time_zone: Annotated[str, AfterValidator(_time_zone)] = Field(examples=['"Europe/Berlin"'])
    elevation_m: Annotated[float, Field(ge=-450, le=6000)] | None = None
    elevation_ft: Annotated[float, Field(ge=-1500, le=20000)] | None = None
    units: Literal["si", "us"] = "si"


class DataForm(Form):
    """[data]."""

    directory: Annotated[str, Field(min_length=1)] = "lumberroom-data"
    keep_readings_days: Annotated[int, Field(ge=FEWEST_DAYS, le=MOST_DAYS)] | None = None
    gather_seconds: Annotated[float, Field(ge=GATHER_S, le=60.0)] = GATHER_S


class PageForm(Form):
    """[page]."""

    listen: Annotated[str, AfterValidator(_loopback)] = DEFAULT_LISTEN
    port: Annotated[int, Field(ge=0, le=65535)] = DEFAULT_PORT
    push_token_env: Annotated[str, Field(min_length=1)] | None = None
    push_token_file: Annotated[str, Field(min_length=1)] | None = None
    public_address: Annotated[str, Field(pattern=r"^https?://[!-~]+$")] | None = None
    push_token: Annotated[Any, PlainValidator(partial(refuse_secret, "push_token", "LUMBERROOM_PUSH_TOKEN"))] = None


def _push_address(text: str) -> str:
    host, _, port = text.rpartition(":")
    try:
        ipaddress.ip_address(host[1:-1] if host.startswith("[") and host.endswith("]") else host)
        sound = port.isascii() and port.isdigit() and int(port) <= 65535 and (":" not in host or host.startswith("["))
    except ValueError:
        sound = False
    if not sound:
        raise wrong(
            "this is not an address and a port",
            'Write address = "0.0.0.0:8431" for every network of this computer, or one of its own addresses.',
        )
    return text


class PushForm(Form):
    """[push]."""

    address: Annotated[str, AfterValidator(_push_address)] = Field(examples=['"0.0.0.0:8431"'])
    cert_file: Annotated[str, Field(min_length=1)] | None = None
    key_file: Annotated[str, Field(min_length=1)] | None = None


class MailForm(Form):
    """[mail]. `from` is a Python keyword, hence the alias."""

    server: Annotated[str, Field(min_length=1)] = Field(examples=['"mail.example.org"'])
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    security: Literal["starttls", "tls", "none"] = "starttls"
    login: Annotated[str, Field(min_length=1)] | None = None
    password_env: Annotated[str, Field(min_length=1)] | None = None
    password_file: Annotated[str, Field(min_length=1)] | None = None
    password: Annotated[Any, PlainValidator(partial(refuse_secret, "password", "LUMBERROOM_MAIL_PASSWORD"))] = None
    sender: Annotated[str, AfterValidator(mail_address)] = Field(alias="from", examples=['"lumberroom@example.org"'])
    to: Annotated[list[Annotated[str, AfterValidator(mail_address)]], Field(min_length=1)] | None = None
    most_per_hour: Annotated[int, Field(ge=1, le=1000)] = 20
    ca_file: Annotated[str, Field(min_length=1)] | None = None
    page_address: Annotated[str, Field(pattern=r"^https?://[!-~]+$")] | None = None


class OfficeCentralForm(Form):
    """[central] of an office: where it reads."""

    address: Annotated[str, AfterValidator(_engine_url)] = Field(examples=['"http://engine.example.org:8428"'])
    engine: Literal["victoriametrics", "influxdb"] = "victoriametrics"
    read_address: Annotated[str, AfterValidator(_engine_url)] = ""
    org: Annotated[str, Field(max_length=120)] = ""
    bucket: Annotated[str, Field(max_length=120)] = ""
    token_env: Annotated[str, Field(min_length=1)] | None = None
    token_file: Annotated[str, Field(min_length=1)] | None = None
    token: Annotated[Any, PlainValidator(partial(refuse_secret, "token", "LUMBERROOM_CENTRAL_TOKEN"))] = None
    ca_file: Annotated[str, Field(min_length=1)] | None = None


class OfficeForm(Form):
    """[office]: of an office's file.  forget: ids of sites that are no more."""

    name: Title = Field(examples=['"Head office"'])
    time_zone: Annotated[str, AfterValidator(_time_zone)] = Field(examples=['"Europe/Berlin"'])
    units: Literal["si", "us"] = "si"
    offline_after_minutes: Annotated[float, Field(ge=3, le=14 * 24 * 60)] = 20.0
    forget: list[Annotated[str, AfterValidator(_site_id)]] = []


class CentralForm(OfficeCentralForm):
    """[central] of a site: where it forwards.  read_back, derived: see `ingest.settings.wiring.CentralWiring`."""

    site: Annotated[str, AfterValidator(_site_id)] = Field(examples=['"lakeside-house"'])
    read_back: bool = True
    derived: bool = True


class AliveForm(Form):
    """[alive]."""

    address: Annotated[str, Field(pattern=r"^https?://[!-~]+$")] = Field(
        examples=['"https://office.example.org/alive"']
    )
    every_minutes: Annotated[float, Field(ge=1, le=24 * 60)] = 5.0


class WebhookForm(Form):
    """[[webhook]]."""

    name: Annotated[str, AfterValidator(entry_name)] = Field(examples=['"office"'])
    address: Annotated[str, Field(pattern=r"^https?://[!-~]+$")] = Field(examples=['"https://office.example.org/wood"'])
    secret_env: Annotated[str, Field(min_length=1)] | None = None
    secret_file: Annotated[str, Field(min_length=1)] | None = None
    secret: Annotated[Any, PlainValidator(partial(refuse_secret, "secret", "LUMBERROOM_WEBHOOK_SECRET"))] = None
    ca_file: Annotated[str, Field(min_length=1)] | None = None


class AdapterForm(Form):
    """[[adapter]]: our part of it; its other keys are checked against the settings that the adapter declares."""

    name: Annotated[str, AfterValidator(entry_name)] = Field(examples=['"hall-serial"'])
    type: str = Field(examples=['"serial_line"'])


class WindowForm(Form):
    """[room.window]."""

    temperature_c: Annotated[Bounds, _bounds_of(_TEMPERATURE.minimum, _TEMPERATURE.maximum, "°C")] | None = None
    temperature_f: Annotated[Bounds, _bounds_of(-76, 212, "°F", celsius_from_fahrenheit)] | None = None
    rh_percent: Annotated[Bounds, _bounds_of(0, 100, "%")] | None = None
    emc_percent: Annotated[Bounds, _bounds_of(0, HIGHEST_EMC_PERCENT, "%")] | None = None
    alert_after_minutes: Minutes = _DEFAULTS.dwell_s / 60
    all_clear_after_minutes: Minutes = _DEFAULTS.return_dwell_s / 60
    margin_temperature_c: Annotated[float, Field(ge=0, le=20)] = _DEFAULTS.margin_temperature_c
    margin_rh_percent: Annotated[float, Field(ge=0, le=40)] = _DEFAULTS.margin_rh_percent
    margin_emc_percent: Annotated[float, Field(ge=0, le=10)] = _DEFAULTS.margin_emc_percent


def _day(value: Any) -> str:
    example = "Write it as a date: 2026-11-25"
    if isinstance(value, dt.datetime) or not isinstance(value, dt.date | str):
        raise wrong("this is not a day", example)
    try:
        return dt.date.fromisoformat(str(value)).isoformat()
    except ValueError:
        raise wrong("this is not a day", example) from None


class PhaseForm(Form):
    """[[room.phase]]."""

    name: Title = Field(examples=['"acclimating"'])
    first_day: Annotated[str, PlainValidator(_day)] = Field(examples=["2026-11-25"])
    window: WindowForm


class SensorForm(Form):
    """[[room.sensor]]."""

    id: Annotated[str, AfterValidator(_sensor_id)] = Field(examples=['"hall-1"'])
    place: Literal["air", "wood", "slab", "surface", "outdoors", "outlet"] = "air"
    title: Annotated[str, Field(max_length=120)] = ""
    offline_after_minutes: Annotated[float, Field(ge=1, le=14 * 24 * 60)] = _SENSOR.offline_after_s / 60
    accuracy_rh_percent: Annotated[float, Field(ge=0, le=20)] = _SENSOR.accuracy_rh_percent
    accuracy_temperature_c: Annotated[float, Field(ge=0, le=10)] = _SENSOR.accuracy_temperature_c
    checked_on: Annotated[str, PlainValidator(_day)] = ""
    check_every_days: Annotated[int, Field(ge=1, le=3660)] = _SENSOR.check_every_days


def _limit_or_off(minimum: float, maximum: float, value: Any) -> float | None:
    if value is False:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise wrong("this is not a number", "Write a number, or false to switch the rule off.")
    if not minimum <= value <= maximum:
        raise wrong(f"{value:g} is no sensible limit", f"Use {minimum:g} to {maximum:g}, or false to switch it off.")
    return float(value)


def _limit(minimum: float, maximum: float) -> PlainValidator:
    return PlainValidator(partial(_limit_or_off, minimum, maximum))


_RULES = Rules()


class RulesForm(Form):
    """[room.rules]: what `ingest.site.rules.Rules` says of each."""

    rh_change_percent: Annotated[float | None, _limit(1, 100)] = _RULES.rh_change_percent
    grains_change_gpp: Annotated[float | None, _limit(1, 500)] = _RULES.grains_change_gpp
    heading_out_hours: Annotated[float | None, _limit(0.5, 72)] = _RULES.heading_out_hours
    condensation_margin_c: Annotated[float | None, _limit(0.1, 20)] = _RULES.condensation_margin_c
    slab_rh_percent: Annotated[float | None, _limit(30, 100)] = _RULES.slab_rh_percent
    stuck_hours: Annotated[float | None, _limit(1, 47)] = _RULES.stuck_hours
    apart_percent: Annotated[float | None, _limit(1, 100)] = _RULES.apart_percent
    battery_percent: Annotated[float | None, _limit(1, 99)] = _RULES.battery_percent
    mould_rh_percent: Annotated[float | None, _limit(50, 100)] = _RULES.mould_rh_percent
    mould_index: Annotated[float | None, _limit(0.1, 6)] = _RULES.mould_index
    check_ahead_days: Annotated[float | None, _limit(1, 365)] = _RULES.check_ahead_days
    depression_gpp: Annotated[float | None, _limit(0.5, 100)] = _RULES.depression_gpp
    serious_margins: Annotated[float | None, _limit(1, 1000)] = _RULES.serious_margins
    serious_margin_hours: Annotated[float | None, _limit(1, 100_000)] = _RULES.serious_margin_hours
    severe_margins: Annotated[float | None, _limit(1, 1000)] = _RULES.severe_margins
    severe_margin_hours: Annotated[float | None, _limit(1, 100_000)] = _RULES.severe_margin_hours


_STATION = StationRules()


class StationForm(Form):
    """[station]: what `ingest.site.rules.StationRules` says of each."""

    adapter_down_minutes: Annotated[float | None, _limit(1, 14 * 24 * 60)] = _STATION.adapter_down_minutes
    disk_free_mb: Annotated[float | None, _limit(1, 1_000_000)] = _STATION.disk_free_mb
    clock_off_minutes: Annotated[float | None, _limit(0.1, 24 * 60)] = _STATION.clock_off_minutes
    clock_unsynchronised_hours: Annotated[float | None, _limit(0.1, 8760)] = _STATION.clock_unsynchronised_hours
    behind_hours: Annotated[float | None, _limit(0.1, 8760)] = _STATION.behind_hours


class InServiceForm(Form):
    """[room.in_service]: what the room will be like once it is lived in."""

    temperature_c: Annotated[Bounds, _bounds_of(_TEMPERATURE.minimum, _TEMPERATURE.maximum, "°C")] | None = None
    temperature_f: Annotated[Bounds, _bounds_of(-76, 212, "°F", celsius_from_fahrenheit)] | None = None
    rh_percent: Annotated[Bounds, _bounds_of(1, 99, "%")] = Field(examples=["[30, 55]"])
    tolerance_percent: Annotated[float, Field(ge=0.1, le=10)] = PLANK_TOLERANCE_PERCENT


def _species(name: Any) -> str:
    try:
        return find_species(str(name)).name
    except InputError as error:
        raise wrong(error.what, error.mend) from None


_Mc = Annotated[float, Field(ge=0, le=HIGHEST_MC_PERCENT)]


class BoardsForm(Form):
    """[room.boards]: the lot of which the moisture is estimated."""

    species: Annotated[str, PlainValidator(_species)] = Field(examples=['"white oak"'])
    thickness_mm: Annotated[float, Field(ge=1, le=300)] = Field(examples=["20"])
    width_mm: Annotated[float, Field(ge=5, le=1000)] = Field(examples=["140"])
    mc_percent: _Mc | None = None
    first_day: Annotated[str, PlainValidator(_day)] = ""
    quarter_sawn: bool = False
    both_faces: bool = True
    target_percent: _Mc | None = None
    tolerance_percent: Annotated[float, Field(ge=0.1, le=10)] | None = None


class RoomForm(Form):
    """[[room]]."""

    id: Annotated[str, AfterValidator(room_id)] = Field(examples=['"oak-store"'])
    title: Annotated[str, Field(min_length=1, max_length=120)] | None = None
    holds: Annotated[str, Field(max_length=400)] = ""
    window: WindowForm | None = None
    sensor: list[SensorForm] = []
    phase: list[PhaseForm] = []
    rules: RulesForm = RulesForm()
    boards: BoardsForm | None = None
    in_service: InServiceForm | None = None


SECTIONS: Final[dict[str, type[Form]]] = {
    "site": SiteForm,
    "data": DataForm,
    "page": PageForm,
    "push": PushForm,
    "mail": MailForm,
    "central": CentralForm,
    "alive": AliveForm,
    "station": StationForm,
    "webhook": WebhookForm,
    "adapter": AdapterForm,
    "room": RoomForm,
}
LISTS: Final = ("webhook", "adapter", "room")
"""The sections that stand in double brackets, once per entry."""

NESTED: Final[dict[str, type[Form]]] = {
    "window": WindowForm,
    "sensor": SensorForm,
    "phase": PhaseForm,
    "rules": RulesForm,
    "boards": BoardsForm,
    "in_service": InServiceForm,
}
"""The sections inside a room."""
