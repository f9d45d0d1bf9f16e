"""The outbox: notices are committed in the transaction of what caused them.

Whom an incident concerns, what of it is worth telling and when is decided here, by `ingest.notices.deciding`; what is
held back is told later by `ingest.notices.rounds`; `ingest.notices.postman` delivers.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from ingest.notices.deciding import DAY_MS, Held, Moment, Told, fellows, hold, what_to_tell
from ingest.notices.hours import free_from_ms
from ingest.notices.recipients import Recipient
from ingest.present import words
from ingest.site.handling import Handling
from ingest.site.incidents import Incident, IncidentKind, Notice, NoticeKind, NoticeState, Severity
from ingest.site.places import Room, Site
from ingest.store.api import UnitOfWork
from ingest.store.record.kinds import HANDLING
from ingest.store.record.outbox import Escalation
from ingest.watch.causes import sharing
from ingest.watch.reasons import sensor_name
from ingest.watch.window.memory import from_json, incident_to_json, window_facts
from ingest.watch.window.plan import room_window


def enqueue(
    work: UnitOfWork, incidents: Sequence[Incident], site: Site, recipients: Sequence[Recipient], *, now_ms: int
) -> list[int]:
    """Put what is to be told of these incidents into the outbox, in the transaction that wrote them.

    A recipient is told when an incident opens (again), turns worse, and is over; one that came and went within a batch
    is told once, as closed. What they know already is not told again. Gives the notices' numbers, held back ones
    included. Call `Postman.wake` once the transaction is committed.
    """
    if not recipients or not incidents:
        return []
    handlings = work.read.nouns(HANDLING, [incident.id for incident in incidents])
    numbers = []
    for incident in incidents:
        one = Telling(work, incident, site, handlings.get(incident.id), now_ms)
        numbers += one.to_all(recipients)
    return numbers


class Telling:
    """What is told of one incident, to each of the recipients."""

    def __init__(
        self, work: UnitOfWork, incident: Incident, site: Site, handling: Handling | None, now_ms: int
    ) -> None:
        self._work = work
        self._incident = incident
        self._site = site
        self._handling = handling
        self._now_ms = now_ms
        self._openings = _openings(work, incident)

    def to_all(self, recipients: Sequence[Recipient]) -> list[int]:
        """Tell whom it concerns; have those told later who come in when nobody answers."""
        numbers, begins_ms = [], None
        first, later = [r for r in recipients if r.after_s <= 0], [r for r in recipients if r.after_s > 0]
        disturbed = self._whom_at_once(first)
        for recipient in first:
            number, due_ms = self._to_one(recipient, at_once=recipient.key in disturbed)
            if number is not None:
                numbers.append(number)
                begins_ms = due_ms if begins_ms is None else min(begins_ms, due_ms)
        for recipient in later:
            if self._has_been_told(recipient):
                number, _ = self._to_one(recipient, at_once=False)
                numbers += [] if number is None else [number]
            elif self._incident.is_open and recipient.minds(self._incident.room):
                self._escalate_to(recipient, self._now_ms if begins_ms is None else begins_ms)
        if not self._incident.is_open:
            self._work.telling.end_escalation(self._incident.id)
        return numbers

    def add(
        self, recipient: Recipient, kind: NoticeKind, own: Sequence[Notice], *, at_once: bool, **more: Any
    ) -> tuple[int, int]:
        """Put a notice into the outbox, held back where it must be; give its number and when it is due (UTC ms)."""
        lately = self._work.telling.since(*recipient.key, self._now_ms - DAY_MS)
        free_ms = self._now_ms if at_once else self._free_from_ms(recipient)
        alike = self._alike(lately)
        held = hold(recipient, self._incident, kind, Moment(self._now_ms, free_ms, self._handling, own, lately, alike))
        number = self._work.add_notice(
            incident=self._incident.id,
            kind=kind,
            channel=recipient.channel,
            recipient=recipient.address,
            facts=self._facts(recipient, own, alike) | _held_facts(held) | more,
            created_ms=self._now_ms,
            held_until_ms=None if held is None else held.until_ms,
        )
        return number, self._now_ms if held is None else held.until_ms

    def _free_from_ms(self, recipient: Recipient) -> int:
        zone_name = self._site.time_zone
        if self._incident.severity is Severity.SEVERE:  # quiet hours never silence it, hours off duty may
            return free_from_ms(self._now_ms, zone_name, hours=recipient.hours, quiet=())
        return recipient.free_from_ms(self._now_ms, zone_name)

    def _to_one(self, recipient: Recipient, *, at_once: bool) -> tuple[int | None, int]:
        own = self._own(recipient)
        wanted = recipient.wants(self._incident.room, self._incident.severity)
        told = Told.of(own)
        kind = what_to_tell(told, self._incident, self._openings, self._handling)
        if kind is None or (told is None and not wanted):
            return None, self._now_ms
        more = {"was_severity": told.severity.value} if kind is NoticeKind.WORSE and told is not None else {}
        return self.add(recipient, kind, own, at_once=at_once, **more)

    def _own(self, recipient: Recipient) -> list[Notice]:
        return self._work.telling.of_incident(self._incident.id, *recipient.key)

    def _has_been_told(self, recipient: Recipient) -> bool:
        """Say whether they know of it, or will: what was held back and then told by nothing is not told."""
        return any(
            one.state is not NoticeState.FOLDED or self._work.telling.teller(one.number) is not None
            for one in self._own(recipient)
        )

    def _whom_at_once(self, recipients: Sequence[Recipient]) -> set[tuple[str, str]]:
        """Give whom something severe reaches whatever they asked for: those on duty, or if nobody is, all of them."""
        if self._incident.severity is not Severity.SEVERE:
            return set()
        wanted = [one for one in recipients if one.wants(self._incident.room, Severity.SEVERE)]
        on_duty = [one for one in wanted if one.on_duty(self._now_ms, self._site.time_zone)]
        return {one.key for one in on_duty or wanted}

    def _escalate_to(self, recipient: Recipient, begins_ms: int) -> None:
        due_ms = begins_ms + round(recipient.after_s * 1000)
        self._work.telling.escalate(Escalation(self._incident.id, *recipient.key, due_ms))

    def _alike(self, lately: Sequence[Notice]) -> list[Notice]:
        """Give the notices of the last day about other incidents of the same cause."""
        return fellows(self._incident, sharing(self._work.read, self._incident), lately)

    def _facts(self, recipient: Recipient, own: Sequence[Notice], alike: Sequence[Notice]) -> dict[str, Any]:
        facts = notice_facts(self._incident, self._site, openings=self._openings)
        return facts | reader_facts(recipient) | {
            "record": list(self._work.read.record_head()),
            "thread": thread_of(self._work, self._incident.id, own or alike),
        }  # fmt: skip


def _held_facts(held: Held | None) -> dict[str, Any]:
    return {} if held is None else {"held": held.why.name}


def reader_facts(recipient: Recipient) -> dict[str, Any]:
    """Give what a composer needs to know of the reader."""
    return {"units": recipient.units.value, "clock": recipient.clock, "who": recipient.who}


def thread_of(work: UnitOfWork, incident: str, own: Iterable[Notice]) -> str:
    """Give the id of the thread in which a recipient reads of an incident.

    own: their notices of it, in order; where there are none yet, those of other incidents of the same cause.
    """
    for notice in own:
        teller = work.telling.teller(notice.number) if notice.state is NoticeState.FOLDED else notice
        if teller is not None:
            return str(teller.facts.get("thread", teller.incident))
    return incident


def notice_facts(incident: Incident, site: Site, *, openings: int = 1) -> dict[str, Any]:
    """Give what a composer needs, as it stood when the notice was committed (JSON-able)."""
    room = site.room(incident.room) or Room(incident.room, incident.room or site.name)
    return {
        "incident": incident_to_json(incident),
        "openings": openings,
        "site": site.name,
        "time_zone": site.time_zone,
        "room": room.id,
        "room_title": room.title or room.id,
        "holds": room.holds,
        "sensor": sensor_name(site.sensor(incident.sensor), incident.sensor),
        "window": window_facts(room_window(room, site.time_zone, incident.opened_ms)),
    }


def trial_notice(site: Site, recipient: Recipient, *, now_ms: int) -> Notice:
    """Give a notice that tells of nothing, for trying a way out; it belongs to no outbox.  now_ms: our clock (UTC)."""
    nothing = Incident(f"test.{now_ms}", "", "", IncidentKind.WINDOW, now_ms, now_ms, reason="")
    rooms = words.listed([room.title or room.id for room in site.rooms]) or "none yet"
    facts = notice_facts(nothing, site) | reader_facts(recipient) | {"is_test": True, "room_title": rooms}
    return Notice(0, nothing.id, NoticeKind.OPENED, recipient.channel, recipient.address, facts, now_ms, now_ms)


def refreshed(facts: dict[str, Any], incident: Incident | None) -> dict[str, Any]:
    """Give facts with an incident as it stands now; None: it was taken back since."""
    if incident is None:
        told = facts["incident"]
        gone = told | {"withdrawn_ms": told.get("withdrawn_ms") or told["opened_ms"], "closed_ms": told["opened_ms"]}
        return facts | {"incident": gone}
    return facts | {"incident": incident_to_json(incident)}


def _openings(work: UnitOfWork, incident: Incident) -> int:
    newest = from_json(work.read.judgement(incident.room))
    return newest.openings if newest.incident is not None and newest.incident.id == incident.id else 1
