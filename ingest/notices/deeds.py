"""What a signed link does, and what its page says before and after."""

from __future__ import annotations

from dashboards.services import DeedView
from ingest.errors import RefusedError
from ingest.notices.links import QUIET_MS, WORDINGS, Deed, DeedKind, Links
from ingest.present import words
from ingest.site.actor import Actor, Where
from ingest.site.handling import Handling
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.store.api import StoreReader, UnitOfWork
from ingest.watch.handling import acknowledge, snooze
from ingest.watch.reasons import Telling, incident_reason, sensor_name


def view(links: Links, read: StoreReader, site: Site, token: str, now_ms: int) -> DeedView:
    """Say what a link would do, doing nothing. Raises RefusedError."""
    deed = links.read(token, now_ms)
    if deed.kind is DeedKind.TRIAL:
        what = "This link was made to try whether links arrive. Nothing happens, and nothing has happened."
        return DeedView(WORDINGS[deed.kind], deed.who, "", what, "", is_done=True, can_do=False)
    incident = read.incident(deed.incident)
    if incident is None:
        raise RefusedError("what this link is about was taken back", where=deed.incident)
    handling = read.handlings([deed.incident]).get(deed.incident, Handling(deed.incident))
    telling = Telling(site.time_zone, now_ms=now_ms)
    room = site.room(incident.room)
    return DeedView(
        wording=WORDINGS[deed.kind],
        who=deed.who,
        room=room.title or room.id if room else incident.room,
        what=incident_reason(incident, sensor_name(site.sensor(incident.sensor), incident.sensor), telling),
        standing=_standing(incident, handling, telling),
        is_done=_is_done(deed, handling, now_ms),
        can_do=incident.is_open,
    )


def do(work: UnitOfWork, links: Links, token: str, now_ms: int) -> Handling | None:
    """Do what a link is for, in the caller's transaction; done twice, it is done once. Raises RefusedError."""
    deed = links.read(token, now_ms)
    if deed.kind is DeedKind.TRIAL:
        return None
    incident = work.read.incident(deed.incident)
    if incident is None or not incident.is_open:
        raise RefusedError("this is over already; there is nothing left to do about it", where=deed.incident)
    handling = work.read.handlings([deed.incident]).get(deed.incident, Handling(deed.incident))
    if _is_done(deed, handling, now_ms):
        return handling
    who = Actor(Where.LINK, deed.who)
    if deed.kind is DeedKind.ACKNOWLEDGE:
        return acknowledge(work, deed.incident, by=who, now_ms=now_ms)
    until_ms = now_ms + QUIET_MS[deed.kind]
    return snooze(work, deed.incident, until_ms=until_ms, by=who, now_ms=now_ms)


def _is_done(deed: Deed, handling: Handling, now_ms: int) -> bool:
    """Say whether there is nothing left to do: quiet is asked for anew only once most of it is over."""
    if deed.kind is DeedKind.ACKNOWLEDGE:
        return handling.is_acknowledged
    asked_for_ms = QUIET_MS[deed.kind]
    return handling.snoozed_until_ms is not None and handling.snoozed_until_ms - now_ms > asked_for_ms - 60_000


def _standing(incident: Incident, handling: Handling, telling: Telling) -> str:
    said = []
    if handling.is_acknowledged:
        said.append(f"{handling.acknowledged_by} has taken it in hand, {telling.at(handling.acknowledged_ms)}.")
    until_ms = handling.snoozed_until_ms
    if until_ms is not None and telling.now_ms is not None and until_ms > telling.now_ms:
        said.append(f"Quiet was asked for until {words.instant(until_ms, telling.time_zone)}.")
    if not incident.is_open:
        said.append("It is over.")
    return " ".join(said)
