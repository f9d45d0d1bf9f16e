"""What a signed link does, and what its page says before and after."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ingest.errors import RefusedError
from ingest.notices.links import QUIET_MS, WORDINGS, Deed, DeedKind, Links
from ingest.present import words
from ingest.site.handling import Handling
from ingest.site.incidents import Incident
from ingest.site.places import Site
from ingest.store.api import StoreReader, UnitOfWork
from ingest.watch.handling import acknowledge, snooze
from ingest.watch.reasons import Telling, incident_reason, sensor_name

GUESSES: Final = 20
GUESSES_IN_MS: Final = 60_000
"""So many links that are not ours in a minute are answered; more only by "too many"."""


@dataclass(frozen=True, slots=True)
class DeedView:
    """What the page of a link shows.

    wording: what the link does.  who: for whom it was signed.  what: the incident in a sentence.  standing: where
    people stand with it, or empty.  is_done: whether the deed has been done already.  can_do: whether it can be done.
    """

    wording: str
    who: str
    room: str
    what: str
    standing: str
    is_done: bool
    can_do: bool


class Guard:
    """Counts links that are not ours, so that nobody tries keys at leisure; what is ours is always let through."""

    def __init__(self) -> None:
        self._begins_ms = 0
        self._count = 0

    def is_enough(self, now_ms: int) -> bool:
        """Count one more and say whether there were too many of late."""
        if not 0 <= now_ms - self._begins_ms < GUESSES_IN_MS:
            self._begins_ms, self._count = now_ms, 0
        self._count += 1
        return self._count > GUESSES


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
    if deed.kind is DeedKind.ACKNOWLEDGE:
        return acknowledge(work, deed.incident, by=deed.who, now_ms=now_ms)
    until_ms = now_ms + QUIET_MS[deed.kind]
    return snooze(work, deed.incident, until_ms=until_ms, by=deed.who, now_ms=now_ms)


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
