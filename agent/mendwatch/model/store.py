"""What one poll leaves behind, and the small protocols by which the outbox and the cycle reach the history."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Protocol

from mendwatch.model.alert import Alert
from mendwatch.model.records import RunRecord, Sample, SourceRecord, WindowRecord


@dataclass(frozen=True, slots=True)
class Commit:
    """Everything that one poll of one source changes: written in one transaction, before anything is sent.

    Attributes:
        state: the tracker's next state of this source, as JSON.
        deliveries: which channels each alert goes to: (alert id, channel name).
    """

    source: SourceRecord
    state: str
    samples: tuple[Sample, ...] = ()
    runs: tuple[RunRecord, ...] = ()
    windows: tuple[WindowRecord, ...] = ()
    alerts: tuple[Alert, ...] = ()
    deliveries: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Due:
    """A delivery that has not succeeded yet; ``first_failed`` is when its first attempt failed, if one did."""

    alert: Alert
    channel: str
    attempts: int
    last_error: str | None
    first_failed: datetime | None = None


@dataclass(frozen=True, slots=True)
class DeliveryRecord:
    """How one alert fares by one channel; it waits while neither ``delivered`` nor ``given_up`` is set.

    Attributes:
        attempts: how often it was sent or tried.
        last_attempt: when that was last; None before the first.
        detail: how it was delivered, else what went wrong last.
    """

    alert_id: str
    channel: str
    attempts: int
    last_attempt: datetime | None
    delivered: datetime | None
    given_up: datetime | None
    detail: str | None


class OutboxStore(Protocol):
    """What delivery asks of the history."""

    def due(self, channel: str, limit: int) -> tuple[Due, ...]:
        """The oldest undelivered alerts of a channel, in the order in which they were raised."""
        ...

    def delivered(self, alert_id: str, channel: str, at: datetime, detail: str) -> None:
        """Note that a delivery succeeded."""
        ...

    def failed(self, alert_id: str, channel: str, at: datetime, error: str, *, final: bool) -> None:
        """Note that an attempt failed; ``final`` gives the delivery up."""
        ...
