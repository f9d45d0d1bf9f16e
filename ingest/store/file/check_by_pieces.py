"""The nightly check in pieces: a pass over everything that may take several nights, and stops wherever it is told to.

`integrity.check_integrity` looks through a whole file in one go, with one read transaction. Beside a daemon that cannot
be: years of a hundred sensors take an hour, nothing could stop it, and while somebody reads an old state the log only
grows. So the pass is cut into pieces of a second at most, each with a read transaction of its own, and its place is
kept in the store (table `examination`). Where SQLite's own check of a table would take longer, it is cut off: of such
tables each row is read and each checksum verified anyway.

What is found stays known until the next whole pass has ended without it, or `lumberroom doctor --mend` has mended it.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final, NamedTuple

from ingest.store.file import integrity, shape, sums
from ingest.store.file.trouble import as_storage_error
from ingest.store.record import records
from ingest.store.series import examining
from ingest.store.series.rows import utc
from ingest.store.series.view import View

PIECE_S: Final = 0.5
"""So long a piece works before it looks for a place to stop."""

KEPT_EVERY_S: Final = 30.0
"""So often its place is kept while a pass goes on: a stop in between costs as much again."""

MOST_FOUND: Final = 100
_STRUCTURE_S: Final = 1.0  # so long SQLite may look at one table's pages
_SPAN_MS: Final = 8 * 86_400_000  # of rollups that are computed again at once: of a reading a second, a second's work
_ROWS: Final = 500
_CHUNKS: Final = 20
_STEPS_BETWEEN_LOOKS: Final = 10_000  # of SQLite's machine, a few milliseconds


class Place(NamedTuple):
    """Where a pass is.  part: one of `_PARTS`.  name: the table or sensor it is at.  at: its last row or stretch."""

    part: str = "rules"
    name: str = ""
    at: int = -(2**53)


class Pass(NamedTuple):
    """How far the check has come.

    place: where it goes on; None between two passes.  found: what this pass has found so far.  faults: what the last
    whole pass found.  ended_ms: when that ended (UTC ms), None before the first.
    """

    place: Place | None = None
    found: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    ended_ms: int | None = None

    @property
    def known(self) -> list[str]:
        """What is wrong as far as is known, a sentence each."""
        return list(dict.fromkeys((*self.faults, *self.found)))

    def in_words(self) -> str:
        """Say when the last whole pass ended, and whether one is under way."""
        ended = "has not gone through everything yet" if self.ended_ms is None else (
            f"went through everything last on {utc(self.ended_ms)}"
        )  # fmt: skip
        return f"the nightly check {ended}{'; a pass is under way' if self.place else ''}"


def load(connection: sqlite3.Connection) -> Pass:
    """Give how far the check has come; a new one where that is not kept, or cannot be read."""
    try:
        row = connection.execute("SELECT place, found, faults, ended_ms FROM examination").fetchone()
        if row is None:
            return Pass()
        place, found, faults = map(json.loads, row[:3])
        return Pass(Place(*place) if place else None, tuple(found), tuple(faults), row[3])
    except (sqlite3.DatabaseError, ValueError, TypeError):
        return Pass()


def save(connection: sqlite3.Connection, now: Pass) -> None:
    """Keep how far the check has come. connection: in a transaction."""
    connection.execute("DELETE FROM examination")
    row = (json.dumps(now.place), json.dumps(now.found), json.dumps(now.faults), now.ended_ms)
    connection.execute("INSERT INTO examination (id, place, found, faults, ended_ms) VALUES (1, ?, ?, ?, ?)", row)


def gone_on(view: View, path: Path, now: Pass, *, now_ms: int) -> Pass:
    """Do one piece and give how far the check has come then. Only reads, in the transaction that `view` is of.

    path: the file, for sentences.  now_ms: our clock, for when the pass ends.  After the last piece `place` is None.
    """
    place: Place | None = now.place or Place()
    assert place is not None
    found: list[str] = []
    limit_s = time.monotonic() + PIECE_S
    while place is not None:
        part = place.part
        try:
            place = _PARTS[part](view, place, found.append)
        except sqlite3.DatabaseError as error:  # what cannot be read ends its part
            found.append(str(as_storage_error(error, path)))
            place = None
        if place is None:
            names = list(_PARTS)
            place = Place(names[names.index(part) + 1]) if part != names[-1] else None
        if time.monotonic() >= limit_s:
            break
    found = list(dict.fromkeys((*now.found, *found)))[:MOST_FOUND]
    if place is None:
        return Pass(None, (), tuple(found), now_ms)
    return now._replace(place=place, found=tuple(found))


_Tell = Callable[[str], None]


def _rules(view: View, _: Place, tell: _Tell) -> None:
    """Look whether every table is there, and at what is said of other rows; each a short question."""
    for part in (shape.faults, integrity.strays, integrity.incident_faults, integrity.unreadable_notes):
        for fault in part(view.connection):
            tell(fault)


def _structure(view: View, place: Place, tell: _Tell) -> Place | None:
    """Have SQLite look at the pages of one table and its indexes, as far as it gets within a piece."""
    table = _next_table(view, place.name)
    if table is None:
        return None
    limit_s = time.monotonic() + _STRUCTURE_S
    view.connection.set_progress_handler(lambda: time.monotonic() > limit_s, _STEPS_BETWEEN_LOOKS)
    try:
        for fault in integrity.structure_faults(view.connection, f"'{table}'"):
            tell(fault)
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
            raise
    finally:
        view.connection.set_progress_handler(None, 0)
    return Place(place.part, table)


def _sums(view: View, place: Place, tell: _Tell) -> Place | None:
    """Look at the sums of one table's rows; of tables with numbered rows at some at a time."""
    table = next((name for name in sorted(sums.SUMS) if name >= place.name), None)
    if table is None:
        return None
    found, last = sums.unsound_after(view.connection, table, place.at, _ROWS)
    for one in found:
        tell(str(one))
    return Place(place.part, table + " ") if last is None else Place(place.part, table, last)


def _record(view: View, place: Place, tell: _Tell) -> Place | None:
    """Follow the record's chain over some entries."""
    after = max(place.at, 0)
    faults, last = records.verify_some(view.connection, after, _ROWS)
    for fault in faults:
        tell(fault)
    return Place(place.part, "", last) if last > after else None


def _chunks(view: View, place: Place, tell: _Tell) -> Place | None:
    """Verify some chunks, in the order in which they were written: who is written anew meanwhile comes again."""
    after = max(place.at, 0)
    query = "SELECT max(id) FROM (SELECT id FROM chunk WHERE id > ? ORDER BY id LIMIT ?)"
    (last,) = view.connection.execute(query, (after, _CHUNKS)).fetchone()
    for bad in examining.bad_chunks(view.connection, after, _CHUNKS) if last is not None else ():
        tell(examining.chunk_in_words(bad))
    return None if last is None else Place(place.part, "", int(last))


def _counts(view: View, place: Place, tell: _Tell) -> Place | None:
    """Count the readings of one sensor again."""
    sensor = _next_sensor(view, place.name)
    for _, sentence in examining.bad_sums(view.connection, sensor) if sensor is not None else ():
        tell(sentence)
    return None if sensor is None else Place(place.part, sensor)


def _rollups(view: View, place: Place, tell: _Tell) -> Place | None:
    """Compute the rollups of one stretch of one sensor again."""
    # The name of a sensor that is done has a mark behind it: nothing lies between the two.
    sensor = place.name if _is_sensor(view, place.name) else _next_sensor(view, place.name.rstrip("\0"))
    if sensor is None:
        return None
    spans = examining.spans_of(view.connection, sensor, _SPAN_MS)
    begin = next((begin for begin in spans if begin > place.at), None)
    if begin is None:
        return Place(place.part, sensor + "\0")
    for sentence in examining.in_words(examining.bad_rollups_in(view, sensor, begin, _SPAN_MS)):
        tell(sentence)
    return Place(place.part, sensor, begin)


_PARTS: Final[dict[str, Callable[[View, Place, _Tell], Place | None]]] = {
    "rules": _rules,
    "structure": _structure,
    "sums": _sums,
    "record": _record,
    "chunks": _chunks,
    "counts": _counts,
    "rollups": _rollups,
}
"""The parts of a pass in order: each does a little from a place on, and gives the next place, or None at its end."""


def _next_table(view: View, after: str) -> str | None:
    query = "SELECT min(name) FROM sqlite_schema WHERE type = 'table' AND name > ?"
    found: str | None = view.connection.execute(query, (after,)).fetchone()[0]
    return found


def _is_sensor(view: View, name: str) -> bool:
    return any(key.sensor == name for key in view.heads.ids)


def _next_sensor(view: View, after: str) -> str | None:
    return min((key.sensor for key in view.heads.ids if key.sensor > after), default=None)


def notes(connection: sqlite3.Connection) -> Iterator[str]:
    """Say for the doctor when the last whole pass ended, where the file says so."""
    now = load(connection)
    if now != Pass():
        yield now.in_words()
