"""What is told of an incident, and when: pure decisions from what was told already, each with its reason.

What lies in the outbox says what was told to whom; nothing here is remembered beside it, so that a restart, a second
process or a batch judged twice tells nothing twice.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from ingest.notices.recipients import RANK, SEVERE_TIMES, Recipient
from ingest.site.handling import Handling
from ingest.site.incidents import Incident, Notice, NoticeKind, NoticeState, Severity

HOUR_MS: Final = 3_600_000
DAY_MS: Final = 24 * HOUR_MS
JOIN_MS: Final = 30_000
"""How long those of one cause are collected after the first was told."""

UNCOUNTED: Final = frozenset({NoticeKind.DIGEST, NoticeKind.MONTH})
"""What comes by the calendar takes nothing from the limit of an hour."""


class Why(enum.Enum):
    """Why a notice is held back: a closed list, each as it is said in the mail that tells it in the end."""

    HOURS = "held back over the hours in which you asked not to be disturbed"
    RATE = "held back because more came in an hour than you asked for"
    CAUSE = "of one cause, and told together"
    MUTE = "held back until the quiet that was asked for was over"


class Held(NamedTuple):
    """Until when something is held back (UTC ms), and why."""

    until_ms: int
    why: Why


@dataclass(frozen=True, slots=True)
class Told:
    """What somebody knows of an incident already: its state in the newest of their notices, held back or not."""

    is_open: bool
    severity: Severity
    openings: int
    is_withdrawn: bool

    @staticmethod
    def of(notices: Sequence[Notice]) -> Told | None:
        """Take it from the notices of one incident to one recipient, in order; None where there is none."""
        if not notices:
            return None
        facts = notices[-1].facts
        incident = facts["incident"]
        return Told(
            is_open=incident.get("closed_ms") is None,
            severity=Severity(incident.get("severity", Severity.SERIOUS.value)),
            openings=facts.get("openings", 1),
            is_withdrawn=incident.get("withdrawn_ms") is not None,
        )


def what_to_tell(told: Told | None, incident: Incident, openings: int, handling: Handling | None) -> NoticeKind | None:
    """Say what an incident's state is worth telling to somebody who wants to know of it, or None.

    told: what they know.  openings: how often it has opened.  One that came and went before anybody was told is told
    once, as closed; one that people closed manually is told again only when it opens anew, turns severe, or is over.
    """
    if not incident.is_open:
        return _ending(told, incident, openings)
    if told is None or not told.is_open or told.openings < openings:
        return NoticeKind.OPENED
    if RANK[incident.severity] <= RANK[told.severity]:
        return None
    by_hand = handling is not None and handling.closed_ms is not None
    return None if by_hand and incident.severity is not Severity.SEVERE else NoticeKind.WORSE


def _ending(told: Told | None, incident: Incident, openings: int) -> NoticeKind | None:
    if told is None or told.is_open or told.openings < openings:
        return NoticeKind.CLOSED
    taken_back_since = incident.withdrawn_ms is not None and not told.is_withdrawn
    return NoticeKind.CLOSED if taken_back_since else None


@dataclass(frozen=True, slots=True)
class Moment:
    """What holding back depends on.  now_ms: our clock (UTC).  free_from_ms: from when on they may be disturbed."""

    now_ms: int
    free_from_ms: int
    handling: Handling | None
    own: Sequence[Notice]  # of this incident to this recipient, in order
    lately: Sequence[Notice]  # of the last day to this recipient, in order
    alike: Sequence[Notice] = ()  # those of `lately` about other incidents that have the cause of this one


def hold(recipient: Recipient, incident: Incident, kind: NoticeKind, moment: Moment) -> Held | None:
    """Say until when a notice is held back and why, or None where it goes out at once.

    What is severe is held back by nothing but a limit of an hour that is several times as wide, and by hours off duty
    while somebody else is on duty (the caller's business). An end that follows on
    a notice that is held back waits with it, so that both are told once.
    """
    waiting = next((one for one in moment.own if one.state is NoticeState.HELD), None)
    is_severe = incident.severity is Severity.SEVERE
    if waiting is not None and (not is_severe or (kind is NoticeKind.CLOSED and not _told_at_once(moment))):
        return Held(waiting.due_ms, why_of(waiting))
    if is_severe:
        return _not_now(moment) or _over_the_limit(recipient, moment, SEVERE_TIMES)
    return _muted(kind, moment) or _not_now(moment) or _of_one_cause(moment) or _over_the_limit(recipient, moment, 1)


def _told_at_once(moment: Moment) -> bool:
    return any(one.state not in (NoticeState.HELD, NoticeState.FOLDED) for one in moment.own)


def why_of(notice: Notice) -> Why:
    """Give why a held notice was held back."""
    return Why[notice.facts.get("held", Why.HOURS.name)]


def _muted(kind: NoticeKind, moment: Moment) -> Held | None:
    until_ms = moment.handling.muted_until_ms if moment.handling else None
    if until_ms is None or until_ms <= moment.now_ms or kind is NoticeKind.CLOSED:
        return None
    return Held(until_ms, Why.MUTE)


def _not_now(moment: Moment) -> Held | None:
    return Held(moment.free_from_ms, Why.HOURS) if moment.free_from_ms > moment.now_ms else None


def _of_one_cause(moment: Moment) -> Held | None:
    """Hold back who joins: the first of a cause is told at once, those after it together, a moment later.

    Where the first was held back itself, and so told to nobody yet, those after it wait with it.
    """
    others = moment.alike
    if not others:
        return None
    if all(one.state is NoticeState.HELD and why_of(one) is not Why.CAUSE for one in others):
        return Held(others[-1].due_ms, why_of(others[-1]))
    waiting = next((one for one in others if one.state is NoticeState.HELD and why_of(one) is Why.CAUSE), None)
    return Held(waiting.due_ms if waiting else moment.now_ms + JOIN_MS, Why.CAUSE)


def fellows(incident: Incident, sharing: Iterable[Incident], lately: Sequence[Notice]) -> list[Notice]:
    """Give the notices about other incidents of the same cause, in order.

    sharing: the incidents that have that cause as things stand now. What was told first knew nothing of it yet: a cause
    shows only when the second one comes.
    """
    alike = {one.id for one in sharing} - {incident.id}
    return [one for one in lately if one.incident in alike]


def _over_the_limit(recipient: Recipient, moment: Moment, times: int) -> Held | None:
    if recipient.most_per_hour is None:
        return None
    waiting = next((one for one in moment.lately if one.state is NoticeState.HELD and why_of(one) is Why.RATE), None)
    if waiting is not None and times == 1:
        return Held(waiting.due_ms, Why.RATE)
    most = recipient.most_per_hour * times
    apart = (NoticeState.HELD, NoticeState.FOLDED)
    sent = [
        one.created_ms
        for one in moment.lately
        if one.created_ms > moment.now_ms - HOUR_MS and one.state not in apart and one.kind not in UNCOUNTED
    ]
    return Held(sent[-most] + HOUR_MS, Why.RATE) if len(sent) >= most else None
