"""What people do about an incident: it is theirs, and stands apart from what the watch concludes of the air."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from ingest.site.actor import Actor
from ingest.site.incidents import Incident


class Deed(enum.Enum):
    """What somebody did about an incident; each is an entry of the record."""

    ACKNOWLEDGED = "acknowledged"  # took it in hand
    SNOOZED = "snoozed"  # asked for no further notices for a while
    WOKEN = "woken"  # took that back
    CLOSED = "closed"  # closed it by hand, with a reason
    REOPENED = "reopened"  # took that back
    NOTED = "noted"  # left a note


class Life(enum.Enum):
    """Where an incident stands between the air and the people."""

    OPEN = "open"  # going on, and nobody has taken it in hand
    ACKNOWLEDGED = "acknowledged"  # going on, somebody has it in hand
    SNOOZED = "snoozed"  # going on, and no notices are wanted for a while
    CLOSED_BY_HAND = "closed by hand"  # somebody closed it, and it still goes on
    OVER = "over"  # the air, or the sensor, is back where it should be


@dataclass(frozen=True, slots=True)
class Handling:
    """Where people stand with an incident; each state that it was in stays in the record.

    incident: its id.  acknowledged_ms, acknowledged_by: when (our clock, UTC) and by whom it was taken in hand, None
    and empty while nobody has.  snoozed_until_ms: no further notices before this instant, None where not asked for.
    closed_ms, closed_by, closed_why: when, by whom and why it was closed by hand; None and empty where the air alone
    closes it. It stays closed for people until somebody reopens it: a new excursion is a new incident.
    note: the newest words that somebody left, or empty.  deed: what led to this state; None in entries of before there
    were deeds.
    """

    incident: str
    acknowledged_ms: int | None = None
    acknowledged_by: str = ""
    snoozed_until_ms: int | None = None
    closed_ms: int | None = None
    closed_by: str = ""
    note: str = ""
    closed_why: str = ""
    deed: Deed | None = None

    @property
    def is_acknowledged(self) -> bool:
        """Whether somebody has taken it in hand."""
        return self.acknowledged_ms is not None

    @property
    def is_closed(self) -> bool:
        """Whether somebody has closed it by hand."""
        return self.closed_ms is not None

    def is_snoozed(self, now_ms: int) -> bool:
        """Whether no notices are wanted at an instant of our clock (UTC ms)."""
        return self.snoozed_until_ms is not None and now_ms < self.snoozed_until_ms


@dataclass(frozen=True, slots=True)
class Asked:
    """A deed that somebody asks for.

    by: who.  note: words to leave with it; the reason, where it closes.  until_ms: of a
    snooze, the instant until which to be quiet (UTC).
    """

    incident: str
    deed: Deed
    by: Actor
    note: str = ""
    until_ms: int | None = None


def life(incident: Incident, handling: Handling | None, now_ms: int) -> Life:
    """Say where an incident stands.  handling: None where nobody touched it.  now_ms: our clock (UTC)."""
    if not incident.is_open:
        return Life.OVER
    if handling is None:
        return Life.OPEN
    if handling.is_closed:
        return Life.CLOSED_BY_HAND
    if handling.is_snoozed(now_ms):
        return Life.SNOOZED
    return Life.ACKNOWLEDGED if handling.is_acknowledged else Life.OPEN
