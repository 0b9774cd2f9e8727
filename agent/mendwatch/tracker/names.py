"""Ids that are derived, so that they are the same after a restart of the agent."""

from __future__ import annotations

from datetime import datetime
from hashlib import sha256

ID_LENGTH = 12


def derived(*parts: str) -> str:
    """A short id made of its parts alone."""
    return sha256("\0".join(parts).encode()).hexdigest()[:ID_LENGTH]


def run_id(array_key: str, kind: str, subject: str | None, started: datetime) -> str:
    """The id of a rebuild or pass: its array, what it is, and its start."""
    return derived("run", array_key, kind, subject or "", started.isoformat(timespec="seconds"))


def window_id(array_key: str, opened: datetime) -> str:
    """The id of a degraded window: its array and when it opened."""
    return derived("window", array_key, opened.isoformat(timespec="milliseconds"))
