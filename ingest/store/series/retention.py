"""Thinning by rule: raw readings that are older than so many days go, their rollups stay. Never without a rule.

Nothing goes that somebody who reads along (the forwarder to a central engine) has not taken over yet, nor anything
whose rollups are still to follow. Chunks go whole: those that lie wholly before the limit (see FORMAT.md for how long
one may be).
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Final, NamedTuple

from ingest.errors import SettingsError
from ingest.store.series import chunks, rollups, sealing
from ingest.store.series.squeeze import Damaged
from ingest.store.series.view import View

DAY_MS: Final = 86_400_000
FEWEST_DAYS: Final = 30
MOST_DAYS: Final = 36_525
"""A century: who wants to keep more keeps everything, by saying nothing."""

_NEAR_MS: Final = 2 * DAY_MS  # how far a stretch whose rollups are to follow, or that is to go out, needs what is near


@dataclass(frozen=True, slots=True)
class Rule:
    """Keep readings for so many days (30 to 36,525); counts, extremes, means and coverage per cell stay for ever."""

    keep_days: int

    def __post_init__(self) -> None:
        if not FEWEST_DAYS <= self.keep_days <= MOST_DAYS:
            raise SettingsError(
                f"readings cannot be thinned after {self.keep_days} days",
                mend=f"Keep them for at least {FEWEST_DAYS} days; to keep them for ever, say nothing",
            )


class Wanted(NamedTuple):
    """What readers-along have not taken over yet: looked through up to a change's number, the oldest instant of it."""

    through: int = 0
    from_ms: int | None = None


NOT_LOOKED: Final = Wanted()


def wanted(connection: sqlite3.Connection, known: Wanted = NOT_LOOKED) -> Wanted:
    """Give the oldest instant that somebody who reads along still wants, None where there is nothing.

    known: an earlier answer; only what came since is looked through then.
    """
    (position,) = connection.execute("SELECT min(position) FROM feed").fetchone()
    if position is None:
        return NOT_LOOKED
    after = max(int(position), known.through)
    bulk = "SELECT min(json_extract(bulk, '$[1]')) FROM batch WHERE number > ? AND bulk IS NOT NULL"
    single = "SELECT min(e.value) FROM batch, json_each(batch.body) AS e WHERE batch.number > ? AND e.key % 4 = 1"
    oldest = [connection.execute(query, (after,)).fetchone()[0] for query in (bulk, single)]
    (newest,) = connection.execute("SELECT coalesce(max(number), 0) FROM batch").fetchone()
    found = [at_ms for at_ms in (*oldest, known.from_ms) if at_ms is not None]
    return Wanted(max(after, int(newest)), min(found, default=None))


def limit_ms(rule: Rule, now_ms: int, *not_from_ms: int | None) -> int:
    """Give the instant before which readings may go.  not_from_ms: instants from which on somebody wants them still."""
    return min([now_ms - rule.keep_days * DAY_MS, *(at_ms - _NEAR_MS for at_ms in not_from_ms if at_ms is not None)])


def thin(view: View, before_ms: int, *, chunks_at_once: int = 20) -> int:
    """Let some chunks go that lie wholly before an instant; give how many went. Inside a transaction.

    Chunks stay while rollups of their stretch are still to follow. Extents and counts go on telling what was read.
    """
    found = view.connection.execute(
        "SELECT id, sensor, from_ms, to_ms FROM chunk WHERE to_ms <= ?1 AND NOT EXISTS "
        "(SELECT 1 FROM stale WHERE stale.sensor = chunk.sensor AND first_ms < to_ms + ?2 AND last_ms >= from_ms - ?2) "
        "ORDER BY to_ms LIMIT ?3",
        (before_ms, _NEAR_MS, chunks_at_once),
    ).fetchall()
    if found:
        with sealing.touching_chunks(view):
            for span in found:
                _let_go(view, *span)
    return len(found)


def _let_go(view: View, chunk_id: int, sensor: str, from_ms: int, to_ms: int) -> None:
    try:
        parts = chunks.fetch(view.connection, chunk_id).parts
        counts = {series_id: part.instants.length for series_id, part in parts.items()}
    except Damaged:
        chunks.set_aside(view.connection, chunk_id, "found damaged when it was to be thinned")
        counts = _rolled_up(view, sensor, from_ms, to_ms)
    # Where readings came late into what had been thinned already, their chunk may begin where the one before it did.
    view.connection.executemany(
        "INSERT INTO thinned (sensor, from_ms, to_ms, series_id, count) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT DO UPDATE SET to_ms = max(to_ms, excluded.to_ms), count = count + excluded.count",
        [(sensor, from_ms, to_ms, series_id, count) for series_id, count in counts.items()],
    )
    view.connection.execute("DELETE FROM chunk WHERE id = ?", (chunk_id,))


def _rolled_up(view: View, sensor: str, from_ms: int, to_ms: int) -> dict[int, int]:
    """Give how many readings of each series the rollups count in a chunk's stretch, which is made of whole hours.

    What of it had gone before is counted in `thinned` already.
    """
    counts = {}
    for series_id in view.heads.of_sensor(sensor):
        key = view.heads.keys[series_id]
        assert key is not None  # asked for by its id
        try:
            cells = rollups.dense(view, series_id, key.quantity, from_ms, to_ms)
        except Damaged:
            counts[series_id] = 0  # the stretch is thinned all the same
            continue
        asked = "SELECT coalesce(sum(count), 0) FROM thinned WHERE series_id = ? AND from_ms >= ? AND to_ms <= ?"
        (gone,) = view.connection.execute(asked, (series_id, from_ms, to_ms)).fetchone()
        counts[series_id] = max(0, int(cells.readings.sum()) - int(gone))
    return counts
