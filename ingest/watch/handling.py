"""What people do about an incident: acknowledging it, muting alerts, closing it, taking that back, leaving a note.

Each action is written into the record in the caller's transaction. It changes what is told, never what is judged: the
watch writes its own states of the incident beside it, and neither ever overwrites the other.
"""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from typing import Final

from ingest.errors import RefusedError
from ingest.site.actor import Actor
from ingest.site.handling import Action, Asked, Handling
from ingest.site.incidents import Incident
from ingest.store.api import UnitOfWork
from ingest.store.record.kinds import HANDLING

LONGEST_NAME: Final = 80
LONGEST_NOTE: Final = 2000
LONGEST_MUTE_MS: Final = 366 * 86_400_000
"""Nobody mutes alerts for longer than a year; whoever seems to has mistaken the unit."""

_KEPT: Final = "\n\t\u200c\u200d"  # the last two join and part letters in scripts that need it


def carry_out(work: UnitOfWork, asked: Asked, *, now_ms: int) -> Handling:
    """Do what somebody asks for, as the function of that name.  Raises RefusedError where that cannot be."""
    if asked.action is Action.MUTED:
        if asked.until_ms is None:
            raise RefusedError("it is not said until when to be quiet", where=asked.incident, mend="Give an instant.")
        until_ms = asked.until_ms
        return mute(work, asked.incident, until_ms=until_ms, by=asked.by, note=asked.note, now_ms=now_ms)
    if asked.action is Action.CLOSED:
        return close(work, asked.incident, by=asked.by, reason=asked.note, now_ms=now_ms)
    plain = {
        Action.ACKNOWLEDGED: acknowledge,
        Action.UNMUTED: unmute,
        Action.REOPENED: reopen,
        Action.NOTED: leave_note,
    }
    return plain[asked.action](work, asked.incident, by=asked.by, note=asked.note, now_ms=now_ms)


def handling_of(work: UnitOfWork, incident: str) -> Handling:
    """Give where people stand with an incident; one that nobody touched has a fresh one."""
    return work.read.nouns(HANDLING, [incident]).get(incident, Handling(incident))


def acknowledge(work: UnitOfWork, incident: str, *, by: Actor, note: str = "", now_ms: int) -> Handling:
    """Note that somebody has acknowledgen an incident; the first one to do so stays named.

    by: who.  now_ms: our clock, UTC.  Raises RefusedError for an incident that is not there,
    and for nobody's name. One that is over can still be acknowledged: somebody has seen it.
    """
    _there(work, incident)
    after = _acknowledged(handling_of(work, incident), _name(by.name), now_ms)
    return _put(work, after, Action.ACKNOWLEDGED, by, note, now_ms)


def mute(work: UnitOfWork, incident: str, *, until_ms: int, by: Actor, note: str = "", now_ms: int) -> Handling:
    """Ask for no further notices of an incident before an instant (UTC ms), which also acknowledges it.

    Raises RefusedError for an incident that is not there, is over or closed manually, and for an instant that is past
    or more than a year ahead.
    """
    _must_go_on(_there(work, incident), handling_of(work, incident))
    if until_ms <= now_ms:
        raise RefusedError("the instant until which to be quiet is past", where=incident, mend="Give a later one.")
    if until_ms > now_ms + LONGEST_MUTE_MS:
        raise RefusedError("quiet for more than a year is too long", where=incident, mend="Give an earlier instant.")
    taken = _acknowledged(handling_of(work, incident), _name(by.name), now_ms)
    return _put(work, replace(taken, muted_until_ms=until_ms), Action.MUTED, by, note, now_ms)


def unmute(work: UnitOfWork, incident: str, *, by: Actor, note: str = "", now_ms: int) -> Handling:
    """Take a wish for quiet back: notices of it are wanted again.

    Raises RefusedError for an incident that is not there, and for one of which notices are wanted anyway.
    """
    _there(work, incident)
    before = handling_of(work, incident)
    if not before.is_muted(now_ms):
        raise RefusedError("nobody muted alerts about this incident", where=incident)
    return _put(work, replace(before, muted_until_ms=None), Action.UNMUTED, by, note, now_ms)


def close(work: UnitOfWork, incident: str, *, by: Actor, reason: str, now_ms: int) -> Handling:
    """Close an incident by hand although it goes on: no more is told of it until somebody reopens it.

    The room is judged as before, and the incident goes on to its end by the air; a new excursion is a new incident.
    reason: why, in words.  Raises RefusedError for an incident that is not there, is over or closed already, and for no
    reason at all.
    """
    _must_go_on(_there(work, incident), handling_of(work, incident))
    why = _text(reason)
    if not why:
        raise RefusedError(
            "closing manually needs a reason", where=incident, mend="Say why it needs no more attention."
        )
    taken = _acknowledged(handling_of(work, incident), _name(by.name), now_ms)
    after = replace(taken, closed_ms=now_ms, closed_by=_name(by.name), closed_why=why, muted_until_ms=None)
    return _put(work, after, Action.CLOSED, by, why, now_ms)


def reopen(work: UnitOfWork, incident: str, *, by: Actor, note: str = "", now_ms: int) -> Handling:
    """Take a closing manually back: what goes on is told again.

    Raises RefusedError for an incident that is not there, that nobody closed manually, or that is over meanwhile.
    """
    found, before = _there(work, incident), handling_of(work, incident)
    if not before.is_closed:
        raise RefusedError("nobody has closed this incident by hand", where=incident)
    if not found.is_open:
        raise RefusedError(
            "this incident is over", where=incident, mend="When it happens again, that is a new incident."
        )
    after = replace(before, closed_ms=None, closed_by="", closed_why="")
    return _put(work, after, Action.REOPENED, by, note, now_ms)


def leave_note(work: UnitOfWork, incident: str, *, by: Actor, note: str, now_ms: int) -> Handling:
    """Leave words about an incident, open or over.  Raises RefusedError for one that is not there, and for no words."""
    _there(work, incident)
    if not _text(note):
        raise RefusedError("the note is empty", where=incident, mend="Write what should be remembered.")
    return _put(work, handling_of(work, incident), Action.NOTED, by, note, now_ms)


def _put(work: UnitOfWork, after: Handling, action: Action, by: Actor, note: str, now_ms: int) -> Handling:
    after = replace(after, action=action, note=_text(note) or after.note)
    work.put(HANDLING, after, at_ms=now_ms, by=replace(by, name=_name(by.name)))
    return after


def _acknowledged(before: Handling, by: str, now_ms: int) -> Handling:
    if before.is_acknowledged:
        return before
    return replace(before, acknowledged_ms=now_ms, acknowledged_by=by)


def _there(work: UnitOfWork, incident: str) -> Incident:
    found = work.read.incident(incident)
    if found is None:
        raise RefusedError("there is no such incident", where=incident)
    return found


def _must_go_on(incident: Incident, handling: Handling) -> None:
    if not incident.is_open:
        raise RefusedError("this incident is over", where=incident.id, mend="Leave a note instead.")
    if handling.is_closed:
        raise RefusedError("this incident was closed manually already", where=incident.id, mend="Reopen it first.")


def _name(by: str) -> str:
    name = " ".join(_text(by).split())[:LONGEST_NAME]
    if not name:
        raise RefusedError("it is not said who does this", mend="Give a name.")
    return name


def _text(given: str) -> str:
    """Give words as they go into the record: line breaks and tabs stay, other control characters do not."""
    kept = (one for one in given.replace("\r\n", "\n") if one in _KEPT or unicodedata.category(one)[0] != "C")
    return "".join(kept).strip()[:LONGEST_NOTE]
