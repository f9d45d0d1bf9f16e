"""From services to page contexts: what each page needs, read once at one instant."""

from __future__ import annotations

from markupsafe import Markup

from dashboards.contexts import Figure, Link, OverviewPage, RoomCard, Shell, Standing
from dashboards.services import Services
from dashboards.telling import STATE_WORDS, Teller
from ingest.site.places import Place, Room, Site
from ingest.site.series import SeriesKey

_SHOWN = (
    ("temperature_c", "Temperature", "°C", 1),
    ("rh_percent", "RH", "%", 0),
    ("emc_percent", "EMC", "%", 1),
    ("dew_point_c", "Dew point", "°C", 1),
    ("grains_per_pound", "GPP", "gr/lb", 0),
)


def shell(services: Services, site: Site, now_ms: int, title: str, here: str) -> Shell:
    """Gather the frame around a page."""
    links = [Link("/", "Rooms", here == "/")]
    speed = services.demo_speed
    words = f"Everything here is invented, and time runs {speed:g} times faster than yours." if speed else ""
    return Shell(
        title=title,
        site=site.name,
        links=tuple(links),
        now_ms=now_ms,
        now_words=Teller(site, now_ms).clock_words(),
        zone=site.time_zone,
        demo_words=words,
        open_incidents=len(services.read.incidents(only_open=True)),
    )


def overview(services: Services) -> OverviewPage:
    """Gather the rooms at a glance."""
    site, now_ms = services.site(), services.clock.now_ms()
    cards = tuple(_card(services, site, room, now_ms) for room in site.rooms)
    return OverviewPage(shell(services, site, now_ms, "Rooms", "/"), cards, "")


def _card(services: Services, site: Site, room: Room, now_ms: int) -> RoomCard:
    teller = Teller(site, now_ms)
    stood = services.standing(room.id)
    sensor = next(iter(site.sensors_of(room.id, Place.AIR)), None)
    keys = [SeriesKey(sensor.id, name) for name, *_ in _SHOWN] if sensor else []
    latest = services.read.latest(keys)
    figures = tuple(
        Figure(name, title, f"{latest[key].value:.{places}f}", unit)
        for (name, title, unit, places), key in zip(_SHOWN, keys, strict=bool(keys))
        if key in latest
    )
    heard_ms = max((sample.at_ms for sample in latest.values()), default=None)
    since = f"since {teller.instant(stood.since_ms)}" if stood.since_ms is not None else ""
    return RoomCard(
        id=room.id,
        title=room.title,
        holds=room.holds,
        standing=Standing(stood.state.value, STATE_WORDS[stood.state], stood.reason, since),
        figures=figures,
        heard=teller.ago(heard_ms) if heard_ms is not None else "nothing heard yet",
        stale=sensor is None or sensor.id in stood.silent,
        silent=tuple(stood.silent),
        chart=Markup(""),
    )
