"""Thinning by rule: raw readings that are older than so many days go, their rollups stay. Never without a rule."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from ingest.errors import SettingsError
from ingest.store.series import chunks, sealing
from ingest.store.series.squeeze import Damaged
from ingest.store.series.view import View

DAY_MS: Final = 86_400_000


@dataclass(frozen=True, slots=True)
class Rule:
    """Keep readings for so many days (at least 30); counts, extremes, means and coverage per cell stay for ever."""

    keep_days: int

    def __post_init__(self) -> None:
        if self.keep_days < 30:
            raise SettingsError(
                f"readings cannot be thinned after {self.keep_days} days", mend="Keep them for at least 30 days"
            )


def thin(view: View, rule: Rule, *, now_ms: int, chunks_at_once: int = 20) -> bool:
    """Let some chunks go that lie wholly before the rule's limit; say whether there are more. Inside a transaction.

    A sensor's chunks stay while rollups of it are still to follow. Extents and counts go on telling what was read.
    """
    limit = now_ms - rule.keep_days * DAY_MS
    found = view.connection.execute(
        "SELECT id, sensor, from_ms, to_ms FROM chunk WHERE to_ms <= ? AND NOT EXISTS "
        "(SELECT 1 FROM stale WHERE stale.sensor = chunk.sensor) ORDER BY to_ms LIMIT ?",
        (limit, chunks_at_once),
    ).fetchall()
    if not found:
        return False
    with sealing.touching_chunks(view):
        for span in found:
            _let_go(view, *span)
    return len(found) == chunks_at_once


def _let_go(view: View, chunk_id: int, sensor: str, from_ms: int, to_ms: int) -> None:
    try:
        held = chunks.fetch(view.connection, chunk_id).parts
    except Damaged:
        chunks.set_aside(view.connection, chunk_id, "found damaged when it was to be thinned")
        held = {}
    view.connection.executemany(
        "INSERT INTO thinned (sensor, from_ms, to_ms, series_id, count) VALUES (?, ?, ?, ?, ?)",
        [(sensor, from_ms, to_ms, series_id, part.instants.length) for series_id, part in held.items()],
    )
    view.connection.execute("DELETE FROM chunk WHERE id = ?", (chunk_id,))
