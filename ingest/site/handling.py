"""What people do about an incident: it is theirs, and stands apart from what the watch concludes of the air."""

from __future__ import annotations

import enum
from dataclasses import dataclass

from ingest.site.actor import Actor
from ingest.site.incidents import Incident


class Action(enum.Enum):
    """What somebody did about an incident; each is an entry of the record."""

    ACKNOWLEDGED = "acknowledged"  # acknowledged it
    MUTED = "muted"  # asked for no further notices for a while
    UNMUTED = "unmuted"  # took that back
    CLOSED = "closed"  # closed it manually, with a reason
    REOPENED = "reopened"  # took that back
    NOTED = "noted"  # left a note


class Life(enum.Enum):
    """Where an incident stands between the air and the people."""

    ACTIVE = "active"  # going on, and nobody has acknowledgen it
    ACKNOWLEDGED = "acknowledged"  # going on, somebody has acknowledged it
    MUTED = "muted"  # going on, and no notices are wanted for a while
    CLOSED_MANUALLY = "closed manually"  # somebody closed it, and it still goes on
    ENDED = "ended"  # the air, or the sensor, is back where it should be


@dataclass(frozen=True, slots=True)
class Handling:
    """Where people stand with an incident; each state that it was in stays in the record.

    incident: its id.  acknowledged_ms, acknowledged_by: when (our clock, UTC) and by whom it was acknowledged, None
    and empty while nobody has.  muted_until_ms: no further notices before this instant, None where not asked for.
    closed_ms, closed_by, closed_why: when, by whom and why it was closed manually; None and empty where the air alone
    closes it. It stays closed for people until somebody reopens it: a new excursion is a new incident.
    note: the newest words that somebody left, or empty.  action: what led to this state; None in entries of before
    there were actions.
    """

    incident: str
    acknowledged_ms: int | None = None
    acknowledged_by: str = ""
    muted_until_ms: int | None = None
    closed_ms: int | None = None
    closed_by: str = ""
    note: str = ""
    closed_why: str = ""
    action: Action | None = None

    @property
    def is_acknowledged(self) -> bool:
        """Whether somebody has acknowledgen it."""
        return self.acknowledged_ms is not None

    @property
    def is_closed(self) -> bool:
        """Whether somebody has closed it manually."""
        return self.closed_ms is not None

    def is_muted(self, now_ms: int) -> bool:
        """Whether no notices are wanted at an instant of our clock (UTC ms)."""
        return self.muted_until_ms is not None and now_ms < self.muted_until_ms


@dataclass(frozen=True, slots=True)
class Asked:
    """An action that somebody asks for.

    by: who.  note: words to leave with it; the reason, where it closes.  until_ms: of a
    mute, the instant until which to be quiet (UTC).
    """

    incident: str
    action: Action
    by: Actor
    note: str = ""
    until_ms: int | None = None


def life(incident: Incident, handling: Handling | None, now_ms: int) -> Life:
    """Say where an incident stands.  handling: None where nobody touched it.  now_ms: our clock (UTC)."""
    if not incident.is_open:
        return Life.ENDED
    if handling is None:
        return Life.ACTIVE
    if handling.is_closed:
        return Life.CLOSED_MANUALLY
    if handling.is_muted(now_ms):
        return Life.MUTED
    return Life.ACKNOWLEDGED if handling.is_acknowledged else Life.ACTIVE
