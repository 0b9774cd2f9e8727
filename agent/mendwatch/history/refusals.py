"""What SQLite or the file system refuses, in words that say what to do."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from mendwatch.model.errors import HistoryError

DAMAGED = "it is damaged or no history; keep a copy of it, then move it away: the agent begins a new one"
_ADVICE = {
    sqlite3.SQLITE_FULL: "the disk is full; free some space",
    sqlite3.SQLITE_READONLY: "it cannot be written; look at its owner, its folder's, and how the disk is mounted",
    sqlite3.SQLITE_PERM: "access is refused; look at the file's owner",
    sqlite3.SQLITE_AUTH: "access is refused; look at the file's owner",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened; look whether the folder is there and who owns it",
    sqlite3.SQLITE_BUSY: "another program keeps it locked; end that program",
    sqlite3.SQLITE_LOCKED: "another program keeps it locked; end that program",
    sqlite3.SQLITE_IOERR: "the disk reports an error; look at the kernel's log",
    sqlite3.SQLITE_CORRUPT: DAMAGED,
    sqlite3.SQLITE_NOTADB: DAMAGED,
}


@contextmanager
def worded(path: str) -> Iterator[None]:
    """Turn every refusal into a HistoryError that says where, what, and what to do."""
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", None)
        advice = _ADVICE.get(code & 0xFF) if code is not None else None  # the low byte is the kind, the rest detail
        message = f"the history {path}: {advice or 'it does not work'} ({error})"
        raise HistoryError(message) from error
    except OSError as error:
        message = f"the history {path}: {error.strerror or error}; look at the folder's owner and the disk"
        raise HistoryError(message) from error
