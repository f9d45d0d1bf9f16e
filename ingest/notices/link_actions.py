"""What a signed link does, and what its page says before and after."""

from __future__ import annotations

from dashboards.services import ActionView
from ingest.errors import RefusedError
from ingest.notices.links import MUTE_MS, WORDINGS, LinkAction, LinkKind, Links
from ingest.present import words
from ingest.site.actor import Actor, Where
from ingest.site.handling import Handling
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.store.api import StoreReader, UnitOfWork
from ingest.store.record.kinds import HANDLING
from ingest.watch.handling import acknowledge, mute
from ingest.watch.reasons import Telling, incident_reason, sensor_name


def view(links: Links, read: StoreReader, site: Site, token: str, now_ms: int) -> ActionView:
    """Say what a link would do, doing nothing. Raises RefusedError."""
    action = links.read(token, now_ms)
    if action.kind is LinkKind.TRIAL:
        what = "This link was made to try whether links arrive. Nothing happens, and nothing has happened."
        return ActionView(WORDINGS[action.kind], action.who, "", what, "", is_done=True, can_do=False)
    incident = read.incident(action.incident)
    if incident is None:
        raise RefusedError("what this link is about was taken back", where=action.incident)
    handling = read.nouns(HANDLING, [action.incident]).get(action.incident, Handling(action.incident))
    telling = Telling(site.time_zone, now_ms=now_ms)
    room = site.room(incident.room)
    return ActionView(
        wording=WORDINGS[action.kind],
        who=action.who,
        room=room.title or room.id if room else incident.room,
        what=incident_reason(incident, sensor_name(site.sensor(incident.sensor), incident.sensor), telling),
        standing=_standing(incident, handling, telling),
        is_done=_is_done(action, handling, now_ms),
        can_do=incident.is_open,
    )


def do(work: UnitOfWork, links: Links, token: str, now_ms: int) -> Handling | None:
    """Do what a link is for, in the caller's transaction; done twice, it is done once. Raises RefusedError."""
    action = links.read(token, now_ms)
    if action.kind is LinkKind.TRIAL:
        return None
    incident = work.read.incident(action.incident)
    if incident is None or not incident.is_open:
        raise RefusedError("this is over already; there is nothing left to do about it", where=action.incident)
    handling = work.read.nouns(HANDLING, [action.incident]).get(action.incident, Handling(action.incident))
    if _is_done(action, handling, now_ms):
        return handling
    who = Actor(Where.LINK, action.who)
    if action.kind is LinkKind.ACKNOWLEDGE:
        return acknowledge(work, action.incident, by=who, now_ms=now_ms)
    until_ms = now_ms + MUTE_MS[action.kind]
    return mute(work, action.incident, until_ms=until_ms, by=who, now_ms=now_ms)


def _is_done(action: LinkAction, handling: Handling, now_ms: int) -> bool:
    """Say whether there is nothing left to do: quiet is asked for anew only once most of it is over."""
    if action.kind is LinkKind.ACKNOWLEDGE:
        return handling.is_acknowledged
    asked_for_ms = MUTE_MS[action.kind]
    return handling.muted_until_ms is not None and handling.muted_until_ms - now_ms > asked_for_ms - 60_000


def _standing(incident: Incident, handling: Handling, telling: Telling) -> str:
    said = []
    if handling.is_acknowledged:
        said.append(f"{handling.acknowledged_by} has acknowledgen it, {telling.at(handling.acknowledged_ms)}.")
    until_ms = handling.muted_until_ms
    if until_ms is not None and telling.now_ms is not None and until_ms > telling.now_ms:
        said.append(f"Alerts are muted until {words.instant(until_ms, telling.time_zone)}.")
    if not incident.is_open:
        said.append("It is over.")
    return " ".join(said)
