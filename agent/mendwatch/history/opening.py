"""Opening the file: made private, checked, brought up to date, and held by one writer."""

from __future__ import annotations

import contextlib
import fcntl
import os
import sqlite3
from pathlib import Path
from typing import IO, cast
from urllib.parse import quote

from mendwatch.history import schema
from mendwatch.history.refusals import DAMAGED
from mendwatch.model.errors import HistoryError, HistoryHeldError

_BUSY_S = 5.0


def connect_memory() -> sqlite3.Connection:
    """A history that is gone when it is closed."""
    connection = _connect(":memory:")
    schema.migrate(connection)
    return connection


def connect_to_write(path: Path, *, check: bool) -> sqlite3.Connection:
    """The file, made if it is not there.

    Args:
        path: its folder is made too, for this user only.
        check: read all of it first and refuse it if it is damaged.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with contextlib.suppress(FileExistsError):
        # SQLite would make it readable to others. Never open and close one that is there: that drops the locks
        # which this process holds on it (POSIX locks belong to the process).
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    connection = _connect(_uri(path, "rw"))
    try:
        before = schema.version(connection)
        if check and before:
            _refuse_damaged(connection)
        schema.migrate(connection)
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    except BaseException:
        connection.close()
        raise
    return connection


def connect_to_read(path: Path) -> sqlite3.Connection:
    """The file as it is; nothing is written, and whoever writes it is not held up."""
    if not path.exists():
        message = "there is none yet; it begins when the agent runs (mendwatch run)"
        raise HistoryError(message)
    try:
        return _checked(_connect(_uri(path, "ro")))
    except sqlite3.OperationalError:
        # Where we may not write beside it, SQLite can read only a file that it knows to be at rest.
        if path.with_name(path.name + "-wal").exists():
            raise
        return _checked(_connect(_uri(path, "ro") + "&immutable=1"))


def hold(path: Path) -> IO[bytes]:
    """The right to be the only agent that writes this history; it ends with the file that is returned.

    The lock is on a file of its own, since SQLite's locks on the history would end with ours.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = path.with_name(path.name + ".lock")
    file = cast("IO[bytes]", os.fdopen(os.open(lock, os.O_CREAT | os.O_RDWR | os.O_CLOEXEC, 0o600), "r+b"))
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        holder = file.read(20).decode("ascii", "replace").strip()
        file.close()
        message = f"another agent writes it already (process {holder or 'unknown'}); stop one of the two"
        raise HistoryHeldError(message) from error
    file.truncate(0)
    file.write(f"{os.getpid()}\n".encode())
    file.flush()
    return file


def _connect(name: str) -> sqlite3.Connection:
    # Transactions are begun and ended by hand (isolation_level None); the threads are kept apart by the caller.
    return sqlite3.connect(name, uri=True, timeout=_BUSY_S, isolation_level=None, check_same_thread=False)


def _uri(path: Path, mode: str) -> str:
    return f"file:{quote(str(path.absolute()))}?mode={mode}"


def _checked(connection: sqlite3.Connection) -> sqlite3.Connection:
    try:
        steps = schema.version(connection)
    except BaseException:
        connection.close()
        raise
    if steps < len(schema.MIGRATIONS):
        connection.close()
        message = (
            "an earlier version of the agent wrote it; start the agent once (mendwatch run), it brings it up to date"
        )
        raise HistoryError(message)
    return connection


def _refuse_damaged(connection: sqlite3.Connection) -> None:
    verdict = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    if verdict != "ok":
        message = f"{DAMAGED} ({verdict})"
        raise HistoryError(message)
