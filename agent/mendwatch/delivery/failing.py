"""That a channel fails is news too: it goes out by the others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime

from mendwatch.model.alert import Alert, AlertKind, Fact, about_agent


@dataclass(frozen=True, slots=True)
class Failing:
    """A channel by which nothing has been delivered for a while.

    Attributes:
        since: when the first of the attempts failed that all failed since.
        error: what went wrong last.
        attempts: how many failed in a row, as far as this process knows.
    """

    channel: str
    since: datetime
    error: str
    attempts: int


def channel_failing(failing: Iterable[Failing], host: str, at: datetime) -> tuple[Alert, ...]:
    """One alert for each channel; its id is the same for as long as no delivery succeeds, also over a restart."""
    return tuple(_alert(channel, host, at) for channel in failing)


def _alert(failing: Failing, host: str, at: datetime) -> Alert:
    since = failing.since.astimezone(UTC).isoformat()
    facts: dict[str, Fact] = {
        "channel": failing.channel,
        "since": since,
        "error": failing.error,
        "attempts": failing.attempts,
    }
    return about_agent(AlertKind.CHANNEL_FAILING, f"channel-failing/{failing.channel}/{since}", host, at, facts)
