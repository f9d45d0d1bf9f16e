"""What was told to whom and what is still to be told: escalations, digests, notices held back and folded together.

The outbox (`ingest.store.record.outbox`) is the log of what was told; this is what must not be forgotten beside it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

from ingest.site.incidents import Notice, NoticeKind, NoticeState
from ingest.store.file.sums import SOUND, sound
from ingest.store.record.outbox import COLUMNS, notice_of


class Escalation(NamedTuple):
    """Somebody who is told of an incident at `due_ms` (UTC) unless somebody has acknowledgen it by then."""

    incident: str
    channel: str
    recipient: str
    due_ms: int


class TellingBook:
    """Reads and writes on one connection, within its transaction."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection

    def is_due(self, now_ms: int) -> bool:
        """Say whether something is held back, or waits for somebody to answer, until `now_ms` at the latest."""
        found = self._connection.execute(
            "SELECT EXISTS (SELECT 1 FROM notice WHERE state = 'held' AND due_ms <= ?1) "
            "OR EXISTS (SELECT 1 FROM escalation WHERE due_ms <= ?1)",
            (now_ms,),
        )
        return bool(found.fetchone()[0])

    def of_incident(self, incident: str, channel: str, recipient: str) -> list[Notice]:
        """Give the notices of an incident to one recipient, in the order of commit."""
        return self._notices(
            "WHERE incident = ? AND channel = ? AND recipient = ? ORDER BY number", incident, channel, recipient
        )

    def since(self, channel: str, recipient: str, from_ms: int) -> list[Notice]:
        """Give the notices to one recipient that were committed at an instant (UTC ms) or later, in that order."""
        return self._notices(
            "WHERE recipient = ? AND created_ms >= ? AND channel = ? ORDER BY number", recipient, from_ms, channel
        )

    def held(self, channel: str, recipient: str) -> list[Notice]:
        """Give what is held back from one recipient, in the order of commit."""
        return self._notices(
            "WHERE state = 'held' AND recipient = ? AND channel = ? ORDER BY number", recipient, channel
        )

    def whom_something_is_due(self, now_ms: int) -> list[tuple[str, str]]:
        """Give channel and recipient of those from whom something was held back until now."""
        found = self._connection.execute(
            f"SELECT DISTINCT channel, recipient FROM {sound('notice')} "
            "WHERE state = 'held' AND due_ms <= ? ORDER BY 1, 2",
            (now_ms,),
        )
        return [(channel, recipient) for channel, recipient in found]

    def told(self, incident: str) -> list[tuple[str, str]]:
        """Give channel and recipient of those who have notices of an incident, held back or not."""
        found = self._connection.execute(
            f"SELECT DISTINCT channel, recipient FROM {sound('notice')} WHERE incident = ? ORDER BY 1, 2", (incident,)
        )
        return [(channel, recipient) for channel, recipient in found]

    def notice(self, number: int) -> Notice | None:
        """Give a notice by its number."""
        return next(iter(self._notices("WHERE number = ?", number)), None)

    def teller(self, number: int) -> Notice | None:
        """Give the notice that told what the one of that number had held back, or None."""
        found = self._notices("WHERE number = (SELECT into_number FROM folding WHERE number = ?)", number)
        return found[0] if found else None

    def fold(self, numbers: Iterable[int], into_number: int) -> None:
        """Note that held notices are told by another one.  into_number: its number; 0: nothing was left to tell."""
        for number in numbers:
            self._connection.execute("UPDATE notice SET state = ? WHERE number = ?", (NoticeState.FOLDED.value, number))
            self._connection.execute("INSERT OR REPLACE INTO folding VALUES (?, ?)", (number, into_number))

    def escalate(self, escalation: Escalation) -> None:
        """Have somebody told unless the incident is acknowledged; one that stands already is left alone."""
        self._connection.execute("INSERT OR IGNORE INTO escalation VALUES (?, ?, ?, ?)", escalation)

    def escalations(self, due_ms: int) -> list[Escalation]:
        """Give the escalations that are due at an instant (UTC ms), the earliest first."""
        found = self._connection.execute(
            f"SELECT incident, channel, recipient, due_ms FROM {sound('escalation')} "
            "WHERE due_ms <= ? ORDER BY due_ms, 1, 2, 3",
            (due_ms,),
        )
        return [Escalation(*row) for row in found]

    def tell_others_now(self, incident: str, now_ms: int) -> None:
        """Make what is held back or waits for an answer due now, for everybody who is to hear of an incident."""
        self._connection.execute(
            "UPDATE escalation SET due_ms = min(due_ms, ?2) WHERE incident = ?1", (incident, now_ms)
        )
        self._connection.execute(
            f"UPDATE notice SET due_ms = min(due_ms, ?2) WHERE incident = ?1 AND state = 'held' AND {SOUND['notice']}",
            (incident, now_ms),
        )

    def end_escalation(self, incident: str, channel: str | None = None, recipient: str | None = None) -> None:
        """Drop the escalations of an incident, of all recipients or of one."""
        self._connection.execute(
            "DELETE FROM escalation WHERE incident = ?1 AND (?2 IS NULL OR channel = ?2) "
            "AND (?3 IS NULL OR recipient = ?3)",
            (incident, channel, recipient),
        )

    def put_off_escalation(self, escalation: Escalation, due_ms: int) -> None:
        """Look at an escalation again at another instant (UTC ms)."""
        self._connection.execute(
            "UPDATE escalation SET due_ms = ? WHERE incident = ? AND channel = ? AND recipient = ?",
            (due_ms, *escalation[:3]),
        )

    def digest(self, channel: str, recipient: str, kind: NoticeKind, day: str) -> bool | None:
        """Say whether a digest was written (True) or left out (False); None where neither."""
        row = self._connection.execute(
            "SELECT was_sent FROM digest WHERE channel = ? AND recipient = ? AND kind = ? AND day = ?",
            (channel, recipient, kind.value, day),
        ).fetchone()
        return None if row is None else bool(row[0])

    def newest_digest(self, channel: str, recipient: str, kind: NoticeKind) -> tuple[str, bool] | None:
        """Give the day of the newest digest and whether it was written, or None before the first."""
        row = self._connection.execute(
            "SELECT day, was_sent FROM digest WHERE channel = ? AND recipient = ? AND kind = ? "
            "ORDER BY day DESC LIMIT 1",
            (channel, recipient, kind.value),
        ).fetchone()
        return None if row is None else (row[0], bool(row[1]))

    def note_digest(self, channel: str, recipient: str, kind: NoticeKind, day: str, *, was_sent: bool) -> None:
        """Note that a digest was written or left out."""
        self._connection.execute(
            "INSERT OR REPLACE INTO digest VALUES (?, ?, ?, ?, ?)", (channel, recipient, kind.value, day, was_sent)
        )

    def _notices(self, where: str, *values: object) -> list[Notice]:
        return [notice_of(row) for row in self._connection.execute(f"{COLUMNS} {where}", values)]


def sent_lately(connection: sqlite3.Connection, limit: int) -> list[tuple[int, int]]:
    """Give when the notices that went out last were committed and sent (UTC ms), newest first."""
    found = connection.execute(
        f"SELECT created_ms, sent_ms FROM {sound('notice')} WHERE state = 'sent' AND sent_ms IS NOT NULL "
        "ORDER BY number DESC LIMIT ?",
        (limit,),
    )
    return [(created_ms, sent_ms) for created_ms, sent_ms in found]
