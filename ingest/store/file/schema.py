"""The one documented schema of the store's file, its version, and the way from each version to the next.

`PRAGMA application_id` marks the file as ours, `PRAGMA user_version` is the schema's version, and the table `migration`
says when each step was taken. A step is a named function and runs in one transaction together with the record of it:
a power cut leaves the version before or the version after, never something between. Instants are UTC, integer
milliseconds since 1970; every table is STRICT, so that a value is of the kind that its column says.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from ingest.store.schema_2 import sealed_columns
from ingest.store.schema_3 import people_and_engines

APPLICATION_ID: Final = 0x4C756D62  # "Lumb"

READING_TABLES: Final = (
    """
    CREATE TABLE series (
        -- One quantity of one sensor, with what is asked for most: how far it reaches and its newest value.
        -- The last four are kept in step with the table `reading` by every append, in the same transaction.
        id         INTEGER PRIMARY KEY,
        sensor     TEXT NOT NULL,
        quantity   TEXT NOT NULL,      -- a measured quantity, unit in its name
        count      INTEGER NOT NULL,   -- how many readings
        first_ms   INTEGER,            -- oldest instant
        last_ms    INTEGER,            -- newest instant
        last_value ANY,                -- value at the newest instant
        UNIQUE (sensor, quantity)
    ) STRICT""",
    """
    CREATE TABLE reading (
        -- One value at one instant. The value is ANY and not REAL because a REAL column turns -0.0 into 0.0: what came
        -- in must come out, bit for bit.
        series_id INTEGER NOT NULL REFERENCES series (id),
        at_ms     INTEGER NOT NULL,
        value     ANY NOT NULL CHECK (typeof(value) = 'real'),
        arrival   INTEGER NOT NULL CHECK (arrival IN (0, 1)),  -- 1: the instant is that of arrival, not the sensor's
        PRIMARY KEY (series_id, at_ms)
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TABLE amendment (
        -- What a reading said before another value came for the same instant. Only ever added to.
        number     INTEGER PRIMARY KEY,
        series_id  INTEGER NOT NULL REFERENCES series (id),
        at_ms      INTEGER NOT NULL,
        old_value  ANY NOT NULL CHECK (typeof(old_value) = 'real'),
        new_value  ANY NOT NULL CHECK (typeof(new_value) = 'real'),
        amended_ms INTEGER NOT NULL     -- when the other value came, by our clock
    ) STRICT""",
    """
    CREATE TABLE heard (
        -- When a sensor was last heard, by our clock (of arrival, not of measuring).
        sensor TEXT PRIMARY KEY,
        at_ms  INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE VIEW reading_by_name AS
        -- For people with an ordinary SQLite tool.
        SELECT sensor, quantity, strftime('%Y-%m-%dT%H:%M:%fZ', at_ms / 1000.0, 'unixepoch') AS at_utc, value
        FROM reading JOIN series ON series.id = reading.series_id""",
)

RECORD_TABLES: Final = (
    """
    CREATE TABLE record (
        -- The job and the incidents with all that they ever were, only ever added to. Each entry's hash covers the hash
        -- before it (see records.py), so that a quiet change of the past shows.
        number   INTEGER PRIMARY KEY,   -- 1, 2, 3 ... without a hole
        kind     TEXT NOT NULL,         -- 'site' or 'incident'
        subject  TEXT NOT NULL,         -- '' for the site, else the incident's id
        at_ms    INTEGER NOT NULL,      -- when it was written, by our clock
        by       TEXT NOT NULL,         -- who or what wrote it
        body     TEXT NOT NULL,         -- canonical JSON
        previous TEXT NOT NULL,         -- hash of the entry before, 64 zeros for the first
        hash     TEXT NOT NULL          -- SHA-256, hexadecimal
    ) STRICT""",
    "CREATE INDEX record_by_subject ON record (kind, subject, number)",
    "CREATE TRIGGER record_keeps BEFORE UPDATE ON record BEGIN SELECT RAISE(ABORT, 'records are only added to'); END",
    "CREATE TRIGGER record_stays BEFORE DELETE ON record BEGIN SELECT RAISE(ABORT, 'records are only added to'); END",
    """
    CREATE TABLE incident (
        -- Each incident's newest record, for finding it; its history stands in `record`.
        id        TEXT PRIMARY KEY,
        room      TEXT NOT NULL,
        opened_ms INTEGER NOT NULL,
        closed_ms INTEGER,              -- NULL while open
        record    INTEGER NOT NULL REFERENCES record (number)
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX incident_newest ON incident (opened_ms DESC)",
    "CREATE INDEX incident_of_room ON incident (room, opened_ms DESC)",
    "CREATE INDEX incident_open ON incident (opened_ms DESC) WHERE closed_ms IS NULL",
    """
    CREATE TABLE judgement (
        -- The watch's saved state of a room; what stands in it is the watch's own business.
        room  TEXT PRIMARY KEY,
        state TEXT NOT NULL             -- JSON
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TABLE notice (
        -- The outbox. A number is never used twice (AUTOINCREMENT) and rises in the order of commit.
        number     INTEGER PRIMARY KEY AUTOINCREMENT,
        incident   TEXT NOT NULL,
        kind       TEXT NOT NULL,       -- 'opened', 'closed'
        channel    TEXT NOT NULL,
        recipient  TEXT NOT NULL,
        facts      TEXT NOT NULL,       -- JSON, frozen when committed
        created_ms INTEGER NOT NULL,
        due_ms     INTEGER NOT NULL,    -- not to be tried before
        state      TEXT NOT NULL,       -- 'waiting', 'sent', 'refused'
        attempts   INTEGER NOT NULL,
        last_error TEXT NOT NULL,
        sent_ms    INTEGER
    ) STRICT""",
    "CREATE INDEX notice_by_state ON notice (state, number)",
)


class Migration(NamedTuple):
    """One step of the schema: the version that it leads to, its name, and what it does inside its transaction.

    What it does is told how to say what share of it (0 to 1) is done: a large file takes a while.
    """

    version: int
    name: str
    apply: Callable[[sqlite3.Connection, Callable[[float], None]], None]


class Progress(NamedTuple):
    """How far bringing a file up to date has come.  version: that the step leads to.  share: of the step, 0 to 1."""

    version: int
    name: str
    share: float


def quiet(progress: Progress) -> None:
    """Tell nobody."""


def first_schema(connection: sqlite3.Connection, tell: Callable[[float], None]) -> None:
    """Make every table of version 1."""
    for statement in READING_TABLES + RECORD_TABLES:
        connection.execute(statement)


MIGRATIONS: Final[tuple[Migration, ...]] = (
    Migration(1, "first_schema", first_schema),
    Migration(2, "sealed_columns", sealed_columns),
    Migration(3, "people_and_engines", people_and_engines),
)
"""Every step there ever was, in order, without a hole. A released step is never changed: a new one is added."""

SCHEMA_VERSION: Final = MIGRATIONS[-1].version

MIGRATION_TABLE: Final = """
    CREATE TABLE IF NOT EXISTS migration (
        version    INTEGER PRIMARY KEY,
        name       TEXT NOT NULL,
        applied_at TEXT NOT NULL         -- UTC, by SQLite's clock
    ) STRICT"""


def version_of(connection: sqlite3.Connection) -> int:
    """Give the schema's version of this file; 0 for an empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def application_of(connection: sqlite3.Connection) -> int:
    """Give whose file it says it is; `APPLICATION_ID` if ours, 0 if it says nothing."""
    return int(connection.execute("PRAGMA application_id").fetchone()[0])


def pending(connection: sqlite3.Connection, steps: Sequence[Migration] = MIGRATIONS) -> list[Migration]:
    """Give the steps that this file has not seen yet. Only reads."""
    version = version_of(connection)
    return [step for step in steps if step.version > version]


def migrate(
    connection: sqlite3.Connection,
    steps: Sequence[Migration] = MIGRATIONS,
    tell: Callable[[Progress], None] = quiet,
) -> list[str]:
    """Take every pending step, each in one transaction with its record; give the names of the steps taken.

    connection: in autocommit mode, no transaction open.  tell: is told how far it is, from a file that was there before
    (making a new one is nothing to tell).  Raises sqlite3.Error; the step that failed is undone then.
    """
    taken = []
    is_new = version_of(connection) == 0
    for step in pending(connection, steps):

        def say(share: float, step: Migration = step) -> None:
            if not is_new:
                tell(Progress(step.version, step.name, share))

        say(0.0)
        connection.execute("BEGIN IMMEDIATE")
        try:
            connection.execute(MIGRATION_TABLE)
            step.apply(connection, say)
            connection.execute(
                "INSERT INTO migration VALUES (?, ?, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))", (step.version, step.name)
            )
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {step.version}")
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        say(1.0)
        taken.append(step.name)
    return taken
