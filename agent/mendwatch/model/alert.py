"""Alerts as data: titles and texts are made at the edge (``reports``)."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from hashlib import sha256
from typing import TypeAlias

from pydantic import JsonValue

from mendwatch.model.records import Finding, Quantiles

Fact: TypeAlias = JsonValue


class AlertKind(StrEnum):
    """In the order in which alerts of one poll are told."""

    ARRAY_LOST = "array-lost"
    REDUNDANCY_REDUCED = "redundancy-reduced"
    ARRAY_GONE = "array-gone"
    MEMBER_ERRORS = "member-errors"
    REBUILD_UNDERWAY = "rebuild-underway"
    WINDOW_OVER_POLICY = "window-over-policy"
    WINDOW_WITHIN_POLICY = "window-within-policy"
    REBUILD_STALLED = "rebuild-stalled"
    REBUILD_MOVING = "rebuild-moving"
    REBUILD_RESTARTED = "rebuild-restarted"
    REBUILD_ENDED = "rebuild-ended"
    REBUILD_FAILED = "rebuild-failed"
    REDUNDANCY_RESTORED = "redundancy-restored"
    LAYOUT_CHANGED = "layout-changed"
    SOURCE_BLIND = "source-blind"
    SOURCE_SIGHTED = "source-sighted"
    CHANNEL_FAILING = "channel-failing"
    TEST = "test"


class Level(StrEnum):
    """Wake a person, or wait until they look."""

    PAGE = "page"
    NOTICE = "notice"


@dataclass(frozen=True, slots=True)
class Alert:
    """One alert.

    Attributes:
        id: derived from array, kind and condition, so that it is the same after a restart and over every retry.
        condition: the condition that raised it; the alerts of one condition (reminders) share it.
        reminder: 0 for the first, then 1, 2 …
        finish: the projected end, None when there is none to tell.
        limit_hours: the limit that is at stake, if one is.
        facts: what this kind has to tell besides, all JSON values; the keys of each kind stand in ``policy.facts``.
    """

    id: str
    at: datetime
    kind: AlertKind
    level: Level
    condition: str
    reminder: int
    host: str
    system: str
    array: str
    array_id: str
    rebuild: str | None
    window: str | None
    redundancy_left: int | None
    redundancy_full: int | None
    finish: Quantiles | None = None
    limit_hours: float | None = None
    causes: tuple[Finding, ...] = ()
    facts: dict[str, Fact] = field(default_factory=dict)


def alert_id(host: str, source: str, condition: str, kind: AlertKind, reminder: int) -> str:
    """An id made of what the alert is about alone, so that it is the same over retries and restarts."""
    text = "\0".join((host, source, condition, kind.value, str(reminder)))
    return sha256(text.encode()).hexdigest()[:24]


def about_agent(kind: AlertKind, condition: str, host: str, at: datetime, facts: dict[str, Fact]) -> Alert:
    """A notice about the agent itself, which concerns no array."""
    return Alert(
        id=alert_id(host, "", condition, kind, 0),
        at=at,
        kind=kind,
        level=Level.NOTICE,
        condition=condition,
        reminder=0,
        host=host,
        system="",
        array="",
        array_id="",
        rebuild=None,
        window=None,
        redundancy_left=None,
        redundancy_full=None,
        facts=facts,
    )


@dataclass(frozen=True, slots=True)
class Message:
    """An alert made ready for people: what every channel sends, each in its own form.

    Attributes:
        data: the alert's published fields (contract, section 3), JSON values only.
        thread: what the messages of one story share (the rebuild, else the window, else the array).
    """

    alert: Alert
    title: str
    text: str
    html: str
    data: dict[str, Fact]
    thread: str
