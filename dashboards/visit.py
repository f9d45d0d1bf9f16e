"""One visit: who asks, what they may, the services at one instant, in one person's units; and the doors to be passed.

A route asks for a visit by the role that it needs (`Looking`, `Acting`, `SettingUp`), and gets one only through the
door: what changes something must come from a page of ours (or, at an address for programs, from no browser at all), and
from somebody of that role. What passes the locks of `dashboards.shell.access` may do everything: they let nobody in but
who sits at this computer. Whoever gathers a page asks the clock once, through the visit, so that all ages on it agree.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import tzinfo
from typing import Annotated, Final, TypedDict
from urllib.parse import parse_qsl, quote, urlencode

from fastapi import Depends, Query, Request
from starlette.responses import HTMLResponse

from dashboards.services import RoomStanding, Services
from dashboards.shell.access import comes_from_here
from dashboards.shell.contexts import Fact, IncidentRow, Link, Page, Shell, Standing
from dashboards.shell.known import known_room
from dashboards.shell.looking_back import Look, around, as_text, end_of_day
from dashboards.shell.page import navigation
from dashboards.shell.problems import AnswerError, is_for_programs
from dashboards.shell.rendering import Pages
from ingest.practice.plans import plan_on_record
from ingest.present import digits, words
from ingest.present.digits import Units
from ingest.present.incident_kinds import KINDS
from ingest.present.life_words import LIFE_WORDS, SEVERITY_WORDS
from ingest.site.actor import Actor, Role, Where
from ingest.site.handling import Handling, Life, life
from ingest.site.incidents import Incident
from ingest.site.places import Room, Sensor, Site
from ingest.site.series import Sample, SeriesKey
from ingest.store.api import AHEAD_MS, newest_until
from ingest.store.record.kinds import HANDLING
from ingest.watch.window.plan import window_at

LABELS: Final = {
    "temperature_c": "Temperature",
    "rh_percent": "RH",
    "emc_percent": "EMC",
    "dew_point_c": "Dew point",
    "grains_per_pound": "GPP",
}
"""The five figures of the air that people ask for first, in that order, by the names the trade says."""

MONTH_MS: Final = 30 * 86_400_000

SHORT_LABELS: Final = {**LABELS, "wood_mc_percent": "Wood MC"}


MOST_FORM_BYTES: Final = 16_000
FORM: Final = "application/x-www-form-urlencoded"
MOST_TROUBLES: Final = 4
SIMULATED: Final = "simulated_room"
"""The kind of adapter whose figures are invented."""


class _Condition(TypedDict):
    """What the frame says of the daemon itself."""

    troubles: tuple[str, ...]
    failing: bool
    times: str


@dataclass(frozen=True, slots=True)
class Visit:
    """Services, site and instant of one request.

    address, query: of the page asked for, the query without the units.  units: as the person likes them.  role: what
    the visitor may do.  request: as it came; None where none did.
    """

    services: Services
    site: Site
    now_ms: int
    address: str
    units: Units
    query: tuple[tuple[str, str], ...] = ()
    role: Role = Role.SET_UP
    request: Request | None = None

    @staticmethod
    def of(
        services: Services, address: str, units: str | None, query: str = "", request: Request | None = None
    ) -> Visit:
        """Make the visit of one request. Reads the store.

        units: "si" or "us"; anything else means those of the site.
        """
        chosen = next((one for one in Units if one.value == units), services.units)
        kept = tuple((name, value) for name, value in parse_qsl(query) if name != "units")
        return Visit(services, services.site(), services.clock.now_ms(), address, chosen, kept, request=request)

    def html(self, page: Page, status: int = 200) -> HTMLResponse:
        """Render a page."""
        assert self.request is not None
        rendered: Pages = self.request.app.state.pages
        return rendered.html(page, status)

    async def form(self, most_bytes: int = MOST_FORM_BYTES) -> dict[str, str]:
        """Read a form as browsers send it, counting: what a header says is not what comes.

        Of a field that is sent twice the last holds.  Raises AnswerError: 413 too long, 415 no form.
        """
        assert self.request is not None
        if self.request.headers.get("content-type", "").partition(";")[0].strip().lower() != FORM:
            raise AnswerError(415, "This is no form.", mend="Use the page's own form.")
        body = await self.body(most_bytes)
        pairs = parse_qsl(body.decode("utf-8", "replace"), keep_blank_values=True, max_num_fields=50)
        return dict(pairs)

    async def body(self, most_bytes: int) -> bytes:
        """Read the request's body.  Raises AnswerError (413)."""
        assert self.request is not None
        body = bytearray()
        async for chunk in self.request.stream():
            body += chunk
            if len(body) > most_bytes:
                raise AnswerError(
                    413, "That is too long.", where="body", mend="Write less.", headers={"Connection": "close"}
                )
        return bytes(body)

    def actor(self, name: str) -> Actor:
        """Give who does something on this visit.  name: as they call themselves."""
        return Actor(Where.API if is_for_programs(self.address) else Where.PAGE, name.strip())

    def room_then(self, room: Room, at_ms: int) -> Room:
        """Give a room with the window that it had at an instant of the past (UTC ms)."""
        return replace(room, window=window_at(plan_on_record(self.services.read, self.site, room), at_ms))

    def room(self, room_id: str) -> Room:
        """Give the room of that id.  Raises AnswerError (404) that lists the rooms there are."""
        return known_room(self.site, room_id)

    @property
    def zone(self) -> tzinfo:
        """The site's zone."""
        return words.zone(self.site.time_zone)

    @property
    def units_asked(self) -> str:
        """The units to be kept in a form; empty for the site's own."""
        return "" if self.units is self.services.units else self.units.value

    def latest(self, keys: Sequence[SeriesKey]) -> dict[SeriesKey, Sample]:
        """Give the newest sample of each series that is not of the future."""
        return newest_until(self.services.read, keys, self.now_ms)

    def link(self, address: str, **query: str | int | Sequence[str]) -> str:
        """Give an address with its query, keeping the units that the person chose; what is empty is left out."""
        asked = {name: value for name, value in query.items() if value not in {"", ()}}
        if self.units_asked:
            asked["units"] = self.units_asked
        return f"{address}?{urlencode(asked, doseq=True, safe=':')}" if asked else address

    def room_link(self, room_id: str, look: Look | None = None, show: Sequence[str] = ()) -> str:
        """Give a room page's address.  look: the stretch to show.  show: the quantities of its time chart."""
        address = f"/rooms/{quote(room_id, safe='')}"
        if look is None:
            return self.link(address)
        until = as_text(look.to_ms, self.zone) if look.past else ""
        return f"{self.link(address, span=look.span, until=until, show=tuple(show))}#history"

    def instant(self, at_ms: int) -> str:
        """Say an instant as briefly as is clear from here."""
        return words.instant_near(at_ms, self.now_ms, self.site.time_zone)

    def full_instant(self, at_ms: int) -> str:
        """Say an instant with date and zone, as it stays true tomorrow."""
        return words.instant(at_ms, self.site.time_zone)

    def end(self, at_ms: int) -> str:
        """Say where a stretch ends, by its day where it ends with one: "the end of Sat 20 Feb 2021"."""
        whole = end_of_day(at_ms, self.zone) is not None
        return f"the end of {words.day(at_ms - 1, self.site.time_zone)}" if whole else self.full_instant(at_ms)

    def ago(self, at_ms: int | None) -> str:
        """Say how long ago something was heard; from a month on, on which day."""
        if at_ms is None:
            return "no readings yet"
        if at_ms > self.now_ms + AHEAD_MS:
            return f"dated ahead, {words.day(at_ms, self.site.time_zone)}: a clock was wrong"
        old = self.now_ms - at_ms > MONTH_MS
        return f"on {words.day(at_ms, self.site.time_zone)}" if old else words.ago(at_ms, self.now_ms)

    def sensor_title(self, sensor: Sensor) -> str:
        """Give a sensor's title, or its id where it has none."""
        return sensor.title or sensor.id

    def titles(self, sensor_ids: Iterable[str]) -> tuple[str, ...]:
        """Give the titles of sensors by their ids."""
        found = [self.site.sensor(sensor_id) or Sensor(sensor_id, "") for sensor_id in sensor_ids]
        return tuple(map(self.sensor_title, found))

    def fact(self, quantity: str, value: float) -> Fact:
        """Print one figure."""
        printed = digits.figure(quantity, value, self.units)
        label = SHORT_LABELS.get(quantity, digits.title(quantity))
        return Fact(quantity, label, digits.title(quantity), printed.number, printed.unit)

    def standing(self, stood: RoomStanding) -> Standing:
        """Print a standing."""
        # Where the reason says since when, the standing does not say another instant beside it.
        told = " since " in stood.reason or stood.since_ms is None
        since = "" if told else f"since {self.instant(stood.since_ms or 0)}"
        return Standing(stood.state.value, words.STATE_WORDS[stood.state], words.sentence(stood.reason), since)

    def incidents(self, found: Sequence[Incident]) -> tuple[IncidentRow, ...]:
        """Print incidents, with where people stand with them."""
        handlings = self.services.read.nouns(HANDLING, [one.id for one in found])
        return tuple(self.incident(one, handlings.get(one.id)) for one in found)

    def incident(self, incident: Incident, handling: Handling | None) -> IncidentRow:
        """Print an incident.  handling: where people stand with it, None where nobody touched it."""
        stands = life(incident, handling, self.now_ms)
        room = self.site.room(incident.room)
        ended_ms = self.now_ms if incident.closed_ms is None else incident.closed_ms
        return IncidentRow(
            id=incident.id,
            room=room.title if room else incident.room or "The station",
            room_address=self.room_link(incident.room) if room else "",
            what=KINDS[incident.kind].word,
            reason=words.sentence(incident.reason),
            is_open=incident.is_open,
            when=self._when(incident),
            lasted=words.duration_ms(max(0, ended_ms - incident.began_ms)),
            charts=self.room_link(room.id, around(incident.began_ms, ended_ms, now_ms=self.now_ms)) if room else "",
            address=self.link(f"/incidents/{quote(incident.id, safe='')}"),
            severity=SEVERITY_WORDS[incident.severity],
            life=LIFE_WORDS[stands],
            wants=stands is Life.ACTIVE,
        )

    def _when(self, incident: Incident) -> str:
        began, name = self.instant(incident.began_ms), self.site.time_zone
        if incident.closed_ms is None:
            return f"since {began}"
        if words.day(incident.began_ms, name) == words.day(incident.closed_ms, name):
            return f"{began} to {words.time_of_day(incident.closed_ms, name)}"
        return f"{began} to {self.instant(incident.closed_ms)}"

    def shell(self, title: str, here: str) -> Shell:
        """Gather the frame around a page.  here: the address of the link that leads to this page or to its parent."""
        return Shell(
            title=title,
            site=self.site.name,
            links=tuple(
                Link(self.link(page.address), page.title, page.address == here, page.count(self.services))
                for page in navigation(self.services, self.role)
            ),
            units=tuple(
                Link(f"{self.address}?{urlencode((*self.query, ('units', units.value)))}", name, self.units is units)
                for units, name in ((Units.SI, "°C"), (Units.US, "°F"))
            ),
            now_words=words.instant(self.now_ms, self.site.time_zone),
            time=words.time_of_day(self.now_ms, self.site.time_zone),
            demo_words=_invented_words(self.services),
            differing=_differing_words(self.services),
            **self._condition(),
        )

    def _condition(self) -> _Condition:
        """Say what is not well with the daemon, as its health has it."""
        health = self.services.health()
        troubles = health.get("troubles")
        told = tuple(map(str, troubles)) if isinstance(troubles, list | tuple) else ()
        more = (f"{len(told) - MOST_TROUBLES} more: see /health.",) if len(told) > MOST_TROUBLES else ()
        return {
            "troubles": told[:MOST_TROUBLES] + more,
            "failing": health.get("status") == "failing",
            "times": f"the office's own ({self.site.time_zone})" if "sites" in health else "the site's own",
        }


def _differing_words(services: Services) -> str:
    found = services.setup.differing if services.setup is not None else ()
    if not found:
        return ""
    named = "; ".join(found[:MOST_TROUBLES]) + ("; and more" if len(found) > MOST_TROUBLES else "")
    return (
        f"The settings file was edited and differs from the site setup in use ({named}). The site setup holds. To take "
        "over what the file says: lumberroom site apply. To leave it: change the file back, or delete its rooms."
    )


def _invented_words(services: Services) -> str:
    """Say what of the figures is invented, as long as anything is."""
    speed = services.demo_speed
    if speed is not None:
        pace = "" if speed == 1 else f", and time runs {speed:g} times faster"
        return f"A demonstration: all of it is invented{pace}."
    simulated = [one.name for one in services.adapters() if one.kind == SIMULATED]
    if not simulated:
        return ""
    return f"Simulated sensors ({', '.join(simulated[:MOST_TROUBLES])}): their figures are invented."


_CHANGES_NOTHING: Final = ("GET", "HEAD", "OPTIONS")


class Door:
    """Lets a request in as a visit, or answers 403.

    role: what the visitor must be allowed to do.  proved: the address carries its own proof, from wherever it is used.
    """

    def __init__(self, role: Role, *, proved: bool = False) -> None:
        self.role = role
        self.proved = proved

    def __call__(self, request: Request, units: Annotated[str | None, Query(include_in_schema=False)] = None) -> Visit:
        """Give the visit. Reads the store: FastAPI calls it in a thread."""
        if request.method not in _CHANGES_NOTHING and not (self.proved or _may_change(request)):
            raise AnswerError(
                403,
                "This was not sent from these pages.",
                where="Origin",
                mend="Open the page here, and press its button.",
            )
        services: Services = request.app.state.services
        visit = Visit.of(services, request.url.path, units, request.url.query, request)
        if visit.role < self.role:
            raise AnswerError(403, "You may look at this, and not change it.", where="role")
        return visit


def _may_change(request: Request) -> bool:
    """Say whether a request that changes something comes from where it may: our pages, or no browser at all."""
    browsers = request.headers.get("origin") is not None or request.headers.get("sec-fetch-site") is not None
    if is_for_programs(request.url.path) and not browsers:
        return True
    return comes_from_here(request.headers)


Looking = Annotated[Visit, Depends(Door(Role.LOOK))]
Acting = Annotated[Visit, Depends(Door(Role.ACT))]
SettingUp = Annotated[Visit, Depends(Door(Role.SET_UP))]
Proved = Annotated[Visit, Depends(Door(Role.LOOK, proved=True))]
"""What a route asks for: a visit of somebody who may do this; `Proved` where the address itself is the leave to act."""
