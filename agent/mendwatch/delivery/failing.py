"""That a channel fails is news too: it goes out by the others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256

from mendwatch.model.alert import Alert, AlertKind, Level


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
    condition = f"channel-failing/{failing.channel}"
    return Alert(
        id=sha256("\0".join((host, condition, since)).encode()).hexdigest()[:24],
        at=at,
        kind=AlertKind.CHANNEL_FAILING,
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
        facts={
            "channel": failing.channel,
            "since": since.replace("+00:00", "Z"),
            "error": failing.error,
            "attempts": failing.attempts,
        },
    )
