"""The outbox: notices committed together with what caused them, and how far each has come.

It is the log of what was told; the book of telling is what must not be forgotten beside it: escalations, digests,
notices held back and folded together.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any, Final, NamedTuple

from ingest.errors import RefusedError
from ingest.site.incidents import Notice, NoticeKind, NoticeState
from ingest.store.file.sums import SOUND, sound
from ingest.store.record.plain import canonical_json

COLUMNS: Final = f"""
    SELECT number, incident, kind, channel, recipient, facts, created_ms, due_ms, state, attempts, last_error, sent_ms
    FROM {sound("notice")}"""


def add(
    connection: sqlite3.Connection,
    *,
    incident: str,
    kind: NoticeKind,
    channel: str,
    recipient: str,
    facts: Mapping[str, Any],
    created_ms: int,
    held_until_ms: int | None = None,
) -> int:
    """Put a notice into the outbox and give its number.  held_until_ms: when to collect it; None: due at once."""
    state = NoticeState.WAITING if held_until_ms is None else NoticeState.HELD
    due_ms = created_ms if held_until_ms is None else held_until_ms
    row = (incident, kind.value, channel, recipient, canonical_json(facts), created_ms, due_ms, state.value)
    made = connection.execute(
        """
        INSERT INTO notice
            (incident, kind, channel, recipient, facts, created_ms, due_ms, state, attempts, last_error)
        VALUES (?, ?, ?, ?, ?, ?, ?, ?, 0, '')""",
        row,
    )
    return int(made.lastrowid or 0)


def update(connection: sqlite3.Connection, notice: Notice) -> None:
    """Write how far a notice has come. Raises RefusedError when there is no notice of that number."""
    done = connection.execute(
        "UPDATE notice SET state = ?, attempts = ?, due_ms = ?, last_error = ?, sent_ms = ? "
        f"WHERE number = ? AND {SOUND['notice']}",
        (notice.state.value, notice.attempts, notice.due_ms, notice.last_error, notice.sent_ms, notice.number),
    )
    if done.rowcount == 0:
        raise RefusedError(f"there is no notice number {notice.number}", where="outbox")


FACTS_KEPT_MS: Final = 92 * 86_400_000
"""So long the facts of a digest stay after it was written: a quarter. What was told then can be computed again."""


def let_go_facts(connection: sqlite3.Connection, now_ms: int, *, at_once: int = 50) -> int:
    """Let the facts of some old digests and monthly summaries go, of which their SHA-256 stays; give how many went.

    One that still waits keeps its facts.  now_ms: our clock.  connection: in a transaction.
    """
    old = connection.execute(
        f"SELECT number, facts FROM {sound('notice')} WHERE kind IN ('digest', 'month') "
        "AND state IN ('sent', 'refused', 'folded', 'withdrawn') AND created_ms < ? AND length(facts) > ? "
        "ORDER BY number LIMIT ?",
        (now_ms - FACTS_KEPT_MS, _GONE_CHARACTERS, at_once),
    ).fetchall()
    for number, facts in old:
        gone = canonical_json({"sha256": hashlib.sha256(facts.encode()).hexdigest()})
        connection.execute("UPDATE notice SET facts = ? WHERE number = ?", (gone, number))
    return len(old)


_GONE_CHARACTERS: Final = len('{"sha256":""}') + 64


def find(
    connection: sqlite3.Connection, *, state: NoticeState | None, limit: int, incident: str | None = None
) -> list[Notice]:
    """Give notices, of one state or all, of one incident or all, lowest number first."""
    wanted = {"state = ?": None if state is None else state.value, "incident = ?": incident}
    asked = {clause: value for clause, value in wanted.items() if value is not None}
    where = f"WHERE {' AND '.join(asked)}" if asked else ""
    rows = connection.execute(f"{COLUMNS} {where} ORDER BY number LIMIT ?", (*asked.values(), limit))
    return [notice_of(row) for row in rows]


def notice_of(row: tuple[Any, ...]) -> Notice:
    """Give the notice of a row of `COLUMNS`."""
    number, incident, kind, channel, recipient, facts, created_ms, due_ms, state, *rest = row
    return Notice(
        number,
        incident,
        NoticeKind(kind),
        channel,
        recipient,
        json.loads(facts),
        created_ms,
        due_ms,
        NoticeState(state),
        *rest,
    )


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
