"""The tables, as the numbered steps by which every history came to them.

A history made today runs the same steps as one that has been kept for years, so that there is one schema only. Each
step is one transaction together with the number that says it was done. Times are whole microseconds since 1970 (UTC):
they compare as numbers and lose nothing. A ``record`` column holds the whole record as JSON; the other columns are
what is searched and sorted by.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import TypeAlias

from mendwatch.model.errors import HistoryError

APPLICATION_ID = 0x4D57_0B5E  # marks the file as ours; any 32-bit number that nobody else uses will do

Migration: TypeAlias = tuple[str, ...]

MIGRATIONS: tuple[Migration, ...] = (
    (
        f"PRAGMA application_id = {APPLICATION_ID}",
        "CREATE TABLE sources (name TEXT PRIMARY KEY, record TEXT NOT NULL, state TEXT NOT NULL) STRICT",
        """CREATE TABLE runs (
            key INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, type TEXT NOT NULL, array TEXT NOT NULL,
            array_id TEXT NOT NULL, started INTEGER NOT NULL, record TEXT NOT NULL) STRICT""",
        """CREATE TABLE windows (
            id TEXT PRIMARY KEY, array TEXT NOT NULL, array_id TEXT NOT NULL, opened INTEGER NOT NULL,
            record TEXT NOT NULL) STRICT""",
        # Steady time comes first, so that the order holds where the wall clock was set back.
        """CREATE TABLE samples (
            run INTEGER NOT NULL, elapsed_s REAL NOT NULL, at INTEGER NOT NULL, record TEXT NOT NULL,
            PRIMARY KEY (run, elapsed_s, at)) STRICT, WITHOUT ROWID""",
        """CREATE TABLE alerts (
            key INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE, rebuild TEXT, window TEXT,
            record TEXT NOT NULL) STRICT""",
        """CREATE TABLE deliveries (
            alert INTEGER NOT NULL REFERENCES alerts (key), channel TEXT NOT NULL, attempts INTEGER NOT NULL DEFAULT 0,
            first_failed INTEGER, last_attempt INTEGER, delivered INTEGER, given_up INTEGER, detail TEXT,
            PRIMARY KEY (alert, channel)) STRICT, WITHOUT ROWID""",
        """CREATE INDEX waiting ON deliveries (channel, alert)
            WHERE delivered IS NULL AND given_up IS NULL""",
        "CREATE INDEX alerts_of_rebuild ON alerts (rebuild)",
        "CREATE INDEX alerts_of_window ON alerts (window)",
    ),
)


def version(connection: sqlite3.Connection, known: int = len(MIGRATIONS)) -> int:
    """How many of the steps this history has behind it.

    Raises:
        HistoryError: the file is something else's, or a later version of the agent wrote it.
    """
    number = int(connection.execute("PRAGMA user_version").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    ours = int(connection.execute("PRAGMA application_id").fetchone()[0]) == APPLICATION_ID
    if not ours and (tables or number):
        message = "it is a database, but not a history of this agent; name another file"
        raise HistoryError(message)
    if number > known:
        message = f"a later version of the agent wrote it (schema {number}, this one knows {known}); use that"
        raise HistoryError(message)
    return number


def migrate(connection: sqlite3.Connection, migrations: Sequence[Migration] = MIGRATIONS) -> None:
    """Take the steps that this history has not taken yet."""
    for number in range(version(connection, len(migrations)) + 1, len(migrations) + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            for statement in migrations[number - 1]:
                connection.execute(statement)
            connection.execute(f"PRAGMA user_version = {number}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
