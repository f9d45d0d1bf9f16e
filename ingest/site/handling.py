"""What people do about an incident: it is theirs, and stands apart from what the watch concludes of the air."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Handling:
    """Where people stand with an incident; each state that it was in stays in the record.

    incident: its id.  acknowledged_ms, acknowledged_by: when (our clock, UTC) and by whom it was taken in hand, None
    and empty while nobody has.  snoozed_until_ms: no further notices before this instant, None where not asked for.
    closed_ms, closed_by: when and by whom it was closed by hand, None and empty where the air alone closes it.
    note: the newest words that somebody left, or empty.
    """

    incident: str
    acknowledged_ms: int | None = None
    acknowledged_by: str = ""
    snoozed_until_ms: int | None = None
    closed_ms: int | None = None
    closed_by: str = ""
    note: str = ""

    @property
    def is_acknowledged(self) -> bool:
        """Whether somebody has taken it in hand."""
        return self.acknowledged_ms is not None
