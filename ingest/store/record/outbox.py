"""The outbox: notices committed together with what caused them, and how far each has come."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Mapping
from typing import Any, Final

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
