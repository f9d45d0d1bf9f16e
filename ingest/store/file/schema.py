"""The one documented schema of the store's file, its version, and the way to a next one.

`PRAGMA application_id` marks the file as ours, `PRAGMA user_version` is the schema's version, and the table `migration`
says when each step was taken. A step is a named function and runs in one transaction together with the record of it:
a power cut leaves the version before or the version after, never something between. Instants are UTC, integer
milliseconds since 1970; every table is STRICT, so that a value is of the kind that its column says.
Whether a row says what was written: `sums`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from ingest.store.file.sums import columns_of, know_sums

APPLICATION_ID: Final = 0x4C756D62  # "Lumb"

TABLES: Final = (
    f"""
    CREATE TABLE series (
        -- One quantity of one sensor, with what is asked for most, as it is sealed; what is staged comes on top.
        id             INTEGER PRIMARY KEY,
        sensor         TEXT NOT NULL,
        quantity       TEXT NOT NULL,      -- a measured quantity, unit in its name
        count          INTEGER NOT NULL,   -- how many readings
        first_ms       INTEGER,            -- oldest instant
        last_ms        INTEGER,            -- newest instant
        last_value     ANY,                -- value at the newest instant
        sealed_through INTEGER NOT NULL DEFAULT 0,  -- readings of batches up to this number are sealed
{columns_of("series")},
        UNIQUE (sensor, quantity)
    ) STRICT""",
    f"""
    CREATE TABLE amendment (
        -- What a reading said before another value came for the same instant. Only ever added to.
        number     INTEGER PRIMARY KEY,
        series_id  INTEGER NOT NULL REFERENCES series (id),
        at_ms      INTEGER NOT NULL,
        old_value  ANY NOT NULL CHECK (typeof(old_value) = 'real'),
        new_value  ANY NOT NULL CHECK (typeof(new_value) = 'real'),
        amended_ms INTEGER NOT NULL,    -- when the other value came, by our clock
{columns_of("amendment")}
    ) STRICT""",
    "CREATE INDEX amendment_at ON amendment (at_ms)",
    f"""
    CREATE TABLE heard (
        -- When a sensor was last reading, by our clock (of arrival, not of measuring).
        sensor TEXT PRIMARY KEY,
        at_ms  INTEGER NOT NULL,
{columns_of("heard")}
    ) STRICT, WITHOUT ROWID""",
    f"""
    CREATE TABLE state (
        -- One row: where the file stands.
        id           INTEGER PRIMARY KEY CHECK (id = 1),
        generation   INTEGER NOT NULL,  -- rises with every change of sealed data or of the list of series
        sealed_batch INTEGER NOT NULL,  -- every batch up to this number is sealed
        gone_through INTEGER NOT NULL,  -- every batch up to this number is deleted
        derived_as   TEXT NOT NULL,     -- by which formulae and pressure the rollups of derived series were computed
{columns_of("state")}
    ) STRICT""",
    "INSERT INTO state VALUES (1, 1, 0, 0, '')",
    f"""
    CREATE TABLE batch (
        -- Readings as they came and were committed, until they are sealed into chunks. Numbers rise in the order of
        -- commit and are never used twice.
        number   INTEGER PRIMARY KEY,
        heard_ms INTEGER NOT NULL,      -- when they came, by our clock
        body     TEXT NOT NULL,         -- JSON: [series id, instant, value, marks, series id, instant, ...]; marks are
                                        -- 1 (instant of arrival) plus 2 (another value was there for this instant)
        bulk     TEXT,                  -- JSON [series id, first, last] of readings that went straight into chunks
{columns_of("batch")}
    ) STRICT""",
    """
    CREATE TABLE chunk (
        -- Sealed readings: one sensor, all its quantities, one stretch. FORMAT.md describes the body. The chunks of a
        -- sensor never overlap. A row is never changed: a new one takes its place.
        id      INTEGER PRIMARY KEY AUTOINCREMENT,
        sensor  TEXT NOT NULL,
        from_ms INTEGER NOT NULL,
        to_ms   INTEGER NOT NULL,       -- from_ms <= instant < to_ms
        body    BLOB NOT NULL,
        UNIQUE (sensor, from_ms)
    ) STRICT""",
    """
    CREATE TABLE rollup (
        -- Cells of count, minimum, maximum, sum and vouched time of one series. FORMAT.md describes the body.
        id        INTEGER PRIMARY KEY AUTOINCREMENT,
        series_id INTEGER NOT NULL REFERENCES series (id),  -- for a derived quantity, that of the sensor's rh_percent
        quantity  TEXT NOT NULL,
        from_ms   INTEGER NOT NULL,     -- of the block, a multiple of its span
        body      BLOB NOT NULL,
        UNIQUE (series_id, quantity, from_ms)
    ) STRICT""",
    """
    CREATE TABLE stale (
        -- Stretches of a sensor whose rollups do not know the newest sealed readings yet, both ends included.
        sensor   TEXT NOT NULL,
        first_ms INTEGER NOT NULL,
        last_ms  INTEGER NOT NULL,
        PRIMARY KEY (sensor, first_ms)
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TABLE damaged (
        -- What was found damaged, set aside with its bytes: chunks, batches, rows of other tables; and what was found
        -- missing. Nothing is ever taken out of it but by hand.
        id      INTEGER PRIMARY KEY,
        sensor  TEXT NOT NULL,          -- '' where it is no chunk
        from_ms INTEGER NOT NULL,
        to_ms   INTEGER NOT NULL,
        what    TEXT NOT NULL,
        body    BLOB NOT NULL,
        is_acknowledged INTEGER NOT NULL DEFAULT 0  -- 1: somebody knows (lumberroom doctor --acknowledge)
    ) STRICT""",
    """
    CREATE TABLE examination (
        -- One row: how far the nightly check has come. Its lists are JSON.
        id       INTEGER PRIMARY KEY CHECK (id = 1),
        place    TEXT NOT NULL,     -- where it goes on; null between two passes
        found    TEXT NOT NULL,     -- what this pass has found so far, sentences
        faults   TEXT NOT NULL,     -- what the last whole pass found
        ended_ms INTEGER            -- when that ended, by our clock
    ) STRICT""",
    f"""
    CREATE TABLE thinned (
        -- Chunks that went by a rule of retention; their rollups stay.
        sensor    TEXT NOT NULL,
        from_ms   INTEGER NOT NULL,
        to_ms     INTEGER NOT NULL,
        series_id INTEGER NOT NULL REFERENCES series (id),
        count     INTEGER NOT NULL,     -- how many readings of the series that were
{columns_of("thinned")},
        PRIMARY KEY (sensor, from_ms, series_id)
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TABLE feed (
        -- Who reads along with the changes, and up to which batch everything has been taken over.
        name     TEXT PRIMARY KEY,
        position INTEGER NOT NULL
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TABLE too_late (
        -- Readings that came for a stretch whose readings had gone by a rule of retention, and were not taken.
        sensor   TEXT PRIMARY KEY,
        count    INTEGER NOT NULL,
        first_ms INTEGER NOT NULL,   -- their oldest and newest instant
        last_ms  INTEGER NOT NULL,
        heard_ms INTEGER NOT NULL    -- when the last of them came, by our clock
    ) STRICT, WITHOUT ROWID""",
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
    f"""
    CREATE TABLE incident (
        -- Each incident's newest entry of the record, and what of it incidents are looked up by.
        id        TEXT PRIMARY KEY,
        room      TEXT NOT NULL,
        opened_ms INTEGER NOT NULL,
        closed_ms INTEGER,              -- NULL while open
        record    INTEGER NOT NULL REFERENCES record (number),
        kind      TEXT NOT NULL,
        began_ms  INTEGER NOT NULL,
        severity  TEXT NOT NULL,
{columns_of("incident")}
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX incident_newest ON incident (opened_ms DESC)",
    "CREATE INDEX incident_of_room ON incident (room, opened_ms DESC)",
    "CREATE INDEX incident_open ON incident (opened_ms DESC) WHERE closed_ms IS NULL",
    "CREATE INDEX incident_begun ON incident (kind, began_ms)",
    f"""
    CREATE TABLE judgement (
        -- The watch's saved state of a room; what stands in it is the watch's own business.
        room  TEXT PRIMARY KEY,
        state TEXT NOT NULL,             -- JSON
{columns_of("judgement")}
    ) STRICT, WITHOUT ROWID""",
    f"""
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
        sent_ms    INTEGER,
{columns_of("notice")}
    ) STRICT""",
    "CREATE INDEX notice_by_state ON notice (state, number)",
    "CREATE INDEX notice_in_state ON notice (state, due_ms)",
    "CREATE INDEX notice_of_incident ON notice (incident, number)",
    "CREATE INDEX notice_of_recipient ON notice (recipient, created_ms)",
    f"""
    CREATE TABLE escalation (
        -- Who is told of an incident that nobody has acknowledged by then.
        incident  TEXT NOT NULL,
        channel   TEXT NOT NULL,
        recipient TEXT NOT NULL,
        due_ms    INTEGER NOT NULL,  -- our clock
{columns_of("escalation")},
        PRIMARY KEY (incident, channel, recipient)
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE TABLE folding (
        -- Which notice told what another one had held back.
        number INTEGER PRIMARY KEY,
        into_number INTEGER NOT NULL
    ) STRICT""",
    """
    CREATE TABLE digest (
        -- Digests that were written, or left out because the computer was off for too long.
        channel   TEXT NOT NULL,
        recipient TEXT NOT NULL,
        kind      TEXT NOT NULL,     -- 'digest', 'month'
        day       TEXT NOT NULL,     -- on which it was due, site time
        was_sent  INTEGER NOT NULL,  -- 0: left out
        PRIMARY KEY (channel, recipient, kind, day)
    ) STRICT, WITHOUT ROWID""",
    f"""
    CREATE TABLE device_key (
        -- Who may hand readings in over HTTP. Revoked keys stay, so that one sees when which device could write what.
        number       INTEGER PRIMARY KEY AUTOINCREMENT,
        name         TEXT NOT NULL,          -- the device's, for people
        hash         TEXT NOT NULL UNIQUE,   -- SHA-256 of the key, hexadecimal; the key itself is kept nowhere
        sensors      TEXT NOT NULL,          -- JSON list: what it may write; a name, or a beginning and *
        made_ms      INTEGER NOT NULL,
        made_by      TEXT NOT NULL,
        last_used_ms INTEGER,                -- NULL while never; to about five minutes
        revoked_ms   INTEGER,                 -- NULL while it holds
{columns_of("device_key")}
    ) STRICT""",
    "CREATE UNIQUE INDEX device_key_holds ON device_key (name) WHERE revoked_ms IS NULL",
    f"""
    CREATE TABLE forwarding (
        -- How far each forwarder has come; what stands in it is the forwarder's own business.
        name  TEXT PRIMARY KEY,
        state TEXT NOT NULL,          -- JSON
{columns_of("forwarding")}
    ) STRICT, WITHOUT ROWID""",
    f"""
    CREATE TABLE set_aside (
        -- Readings that the central engine refused, with its words. They stand in `reading` all the same.
        sensor   TEXT NOT NULL,
        quantity TEXT NOT NULL,
        at_ms    INTEGER NOT NULL,
        value    ANY NOT NULL CHECK (typeof(value) = 'real'),
        revision INTEGER NOT NULL,
        said     TEXT NOT NULL,
        since_ms INTEGER NOT NULL,   -- when it was refused, by our clock
{columns_of("set_aside")},
        PRIMARY KEY (sensor, quantity, at_ms)
    ) STRICT, WITHOUT ROWID""",
    """
    CREATE VIEW reading AS
        -- The readings that are not sealed yet, as they came, for people with an ordinary SQLite tool. For sealed ones:
        -- lumberroom export, or ingest.store.open_for_reading in Python.
        SELECT
            max(CASE each.key % 4 WHEN 0 THEN each.value END) AS series_id,
            max(CASE each.key % 4 WHEN 1 THEN each.value END) AS at_ms,
            max(CASE each.key % 4 WHEN 2 THEN each.value END) AS value,
            max(CASE each.key % 4 WHEN 3 THEN each.value END) & 1 AS arrival
        FROM batch, json_each(batch.body) AS each
        GROUP BY batch.number, each.key / 4""",
    """
    CREATE VIEW reading_by_name AS
        SELECT sensor, quantity, strftime('%Y-%m-%dT%H:%M:%fZ', at_ms / 1000.0, 'unixepoch') AS at_utc, value
        FROM reading JOIN series ON series.id = reading.series_id""",
)
"""Every table, index, trigger and view, in an order in which they can be made."""


class Migration(NamedTuple):
    """One step of the schema: the version that it leads to, its name, and what it does inside its transaction."""

    version: int
    name: str
    apply: Callable[[sqlite3.Connection], None]


def first_schema(connection: sqlite3.Connection) -> None:
    """Make everything."""
    for statement in TABLES:
        connection.execute(statement)


MIGRATIONS: Final[tuple[Migration, ...]] = (Migration(1, "first_schema", first_schema),)
"""Every step there ever was, in order, without a hole. Once a version is released its step is frozen, in literal SQL of
its own, and a new one is added behind it."""

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


def migrate(connection: sqlite3.Connection, steps: Sequence[Migration] = MIGRATIONS) -> list[str]:
    """Take every pending step, each in one transaction with its record; give the names of the steps taken.

    connection: in autocommit mode, no transaction open.  Raises sqlite3.Error; the step that failed is undone then.
    """
    taken = []
    know_sums(connection)
    for step in pending(connection, steps):
        connection.execute("BEGIN IMMEDIATE")
        try:
            connection.execute(MIGRATION_TABLE)
            step.apply(connection)
            connection.execute(
                "INSERT INTO migration VALUES (?, ?, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'))", (step.version, step.name)
            )
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {step.version}")
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        taken.append(step.name)
    return taken
