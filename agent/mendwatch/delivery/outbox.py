"""Sends what is stored, in order, until it has arrived.

Each channel goes at its own pace. A channel that fails is tried again after growing, jittered pauses, and what it has
still to take waits in order. A single alert that the receiver refuses for good is set aside, so that it does not block
the others, and tried again slowly: a page for ever, a notice for three days. The pauses are kept by steady time and in
memory only: a wall clock that is set delays nothing, and after a restart everything is due at once.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

import structlog

from mendwatch.delivery.failing import Failing
from mendwatch.model.alert import Alert, Level, Message
from mendwatch.model.clock import Clock
from mendwatch.model.errors import DeliveryError, HistoryError
from mendwatch.model.plugin import Sender
from mendwatch.model.store import Due, OutboxStore

PAUSES_S = (5.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0)
LONGEST_RETRY_AFTER_S = 3600.0
REFUSED_PAUSE_S = 900.0
REFUSED_NOTICE_S = 3 * 86400.0
FAILING_AFTER_S = 900.0
_AT_ONCE = 20
_REMEMBERED = 500
_STORE_PAUSE_S = 5.0


@dataclass(slots=True)
class _Aside:
    since: float
    again_at: float


@dataclass(slots=True)
class _Failing:
    since: datetime
    since_ticks: float
    error: str
    attempts: int


@dataclass(slots=True)
class _Line:
    """One channel's queue, as far as the store does not hold it.

    Attributes:
        unstored: alerts that the store did not take, by id.
        sent: what has arrived but is not marked so in the store, with when and how.
        done: ids of what arrived lately.
        aside: alerts that were refused for good, by id.
    """

    sender: Sender
    turn: threading.Lock = field(default_factory=threading.Lock)
    unstored: dict[str, Alert] = field(default_factory=dict)
    sent: dict[str, tuple[datetime, str]] = field(default_factory=dict)
    done: deque[str] = field(default_factory=lambda: deque(maxlen=_REMEMBERED))
    aside: dict[str, _Aside] = field(default_factory=dict)
    failing: _Failing | None = None
    failures: int = 0
    next_at: float | None = None
    asked: bool = False


class Outbox:
    """The deliveries of all channels.

    Args:
        store: what is due, and how it went.
        senders: the open channels, by name.
        render: makes an alert ready for people.
        clock: the one clock.
        chance: a number from 0 up to 1, to keep many senders from trying in step.
    """

    def __init__(
        self,
        store: OutboxStore,
        senders: Mapping[str, Sender],
        render: Callable[[Alert], Message],
        clock: Clock,
        chance: Callable[[], float],
    ) -> None:
        self._store = store
        self._render = render
        self._clock = clock
        self._chance = chance
        self._lines = {name: _Line(sender) for name, sender in senders.items()}
        self._log = structlog.get_logger()

    def use(self, senders: Mapping[str, Sender]) -> None:
        """Take these channels from now on; what waits is tried at once, since the cause of a failure may be gone."""
        lines = {name: _Line(sender) for name, sender in senders.items()}
        for name, line in lines.items():
            before = self._lines.get(name)
            if before is not None:
                line.turn, line.unstored, line.sent, line.done = before.turn, before.unstored, before.sent, before.done
                line.failing, line.asked = before.failing, before.asked
        self._lines = lines

    def send_now(self, alerts: Iterable[Alert], deliveries: Iterable[tuple[str, str]]) -> None:
        """Take alerts that the store did not take: the next :meth:`deliver_once` sends them from memory."""
        by_id = {alert.id: alert for alert in alerts}
        for alert_id, channel in deliveries:
            line = self._lines.get(channel)
            # It may have been stored and sent after all, just after the patience with the store had ended.
            if line is not None and alert_id in by_id and alert_id not in line.done:
                line.unstored[alert_id] = by_id[alert_id]

    def settle(self) -> None:
        """Mark what was sent from memory and has been stored since, so that it is never sent again."""
        for channel, line in self._lines.items():
            if line.sent:
                self._unmarked(channel, line, self._store.due(channel, _AT_ONCE + len(line.sent)))

    def deliver_once(self, channel: str) -> float | None:
        """Send some of what is due by one channel.

        Returns:
            The seconds until there is something to do again; None if nothing waits.
        """
        line = self._lines.get(channel)
        if line is None:
            return None
        with line.turn:
            if line.next_at is not None and self._clock.ticks() < line.next_at:
                return line.next_at - self._clock.ticks()
            line.next_at = None
            waiting, whole = self._waiting(channel, line)
            ready = self._ready(line, waiting)
            for due in ready[:_AT_ONCE]:
                if not self._deliver(line, due):
                    break
            return self._pause_s(line, waiting, ready, whole=whole)

    def failing(self) -> tuple[Failing, ...]:
        """The channels that have failed for a quarter of an hour without one success."""
        now = self._clock.ticks()
        return tuple(
            Failing(channel, line.failing.since, line.failing.error, line.failing.attempts)
            for channel, line in self._lines.items()
            if line.failing is not None and now - line.failing.since_ticks >= FAILING_AFTER_S
        )

    def _waiting(self, channel: str, line: _Line) -> tuple[list[Due], bool]:
        """What has not arrived yet, the stored first since it is older; False if the store did not answer."""
        try:
            found = self._store.due(channel, _AT_ONCE + len(line.aside) + len(line.sent))
            stored = self._unmarked(channel, line, found)
            whole = True
        except HistoryError:
            stored, whole = [], False
        if not line.asked and whole:
            line.asked = True
            self._recall(line, stored)
        for due in stored:
            line.unstored.pop(due.alert.id, None)
        return stored + [Due(alert, channel, 0, None) for alert in tuple(line.unstored.values())], whole

    def _ready(self, line: _Line, waiting: list[Due]) -> list[Due]:
        """What to try now: in order what was never refused, then of the refused the one that has waited longest."""
        now = self._clock.ticks()
        fresh = [due for due in waiting if due.alert.id not in line.aside]
        refused = [due for due in waiting if due.alert.id in line.aside and line.aside[due.alert.id].again_at <= now]
        return fresh + sorted(refused, key=lambda due: line.aside[due.alert.id].again_at)

    def _unmarked(self, channel: str, line: _Line, found: Iterable[Due]) -> list[Due]:
        """Those of the due that have not been sent; the others are marked at last."""
        still: list[Due] = []
        for due in found:
            sent = line.sent.get(due.alert.id)
            if sent is None:
                still.append(due)
            else:
                self._store.delivered(due.alert.id, channel, *sent)
                line.sent.pop(due.alert.id, None)
        return still

    def _recall(self, line: _Line, stored: list[Due]) -> None:
        """After a restart: that the channel was failing is known from its first delivery."""
        first = stored[0] if stored else None
        if first is not None and first.first_failed is not None and line.failing is None:
            passed_s = max(0.0, (self._clock.now() - first.first_failed).total_seconds())
            line.failing = _Failing(
                first.first_failed, self._clock.ticks() - passed_s, first.last_error or "", first.attempts
            )

    def _deliver(self, line: _Line, due: Due) -> bool:
        try:
            detail = line.sender.send(self._message(due.alert))
        except DeliveryError as error:
            self._failed(line, due, error)
            return False
        except Exception as error:  # noqa: BLE001 - a channel's fault must not cost the page: it is told, and tried again
            self._log.exception("a channel failed by a fault of its own", channel=due.channel, id=due.alert.id)
            self._failed(line, due, DeliveryError(f"a fault in the channel: {type(error).__name__}", again=True))
            return False
        self._delivered(line, due, detail)
        return True

    def _message(self, alert: Alert) -> Message:
        try:
            return self._render(alert)
        except Exception:  # noqa: BLE001 - a page in plain words is better than none
            self._log.exception("a message could not be worded, by a fault of our own", id=alert.id)
            return _bare(alert)

    def _delivered(self, line: _Line, due: Due, detail: str) -> None:
        at = self._clock.now()
        unstored = line.unstored.pop(due.alert.id, None) is not None
        line.sent[due.alert.id] = (at, detail)
        line.done.append(due.alert.id)
        line.aside.pop(due.alert.id, None)
        line.failing, line.failures = None, 0
        try:
            self._store.delivered(due.alert.id, due.channel, at, detail)
        except HistoryError:
            unstored = True  # remembered as sent, and marked when the store takes it
        if not unstored:
            line.sent.pop(due.alert.id, None)
        self._log.info("delivered", channel=due.channel, id=due.alert.id, how=detail)

    def _failed(self, line: _Line, due: Due, error: DeliveryError) -> None:
        at, now = self._clock.now(), self._clock.ticks()
        pause_s = self._jittered(PAUSES_S[min(line.failures, len(PAUSES_S) - 1)])
        if error.retry_after_s is not None:
            pause_s = max(pause_s, min(error.retry_after_s, LONGEST_RETRY_AFTER_S))
        line.failures += 1
        line.next_at = now + pause_s
        if line.failing is None:
            line.failing = _Failing(at, now, str(error), 1)
        else:
            line.failing.error = str(error)
            line.failing.attempts += 1
        given_up = not error.again and self._set_aside(line, due.alert, now)
        self._log.warning(
            "not delivered",
            channel=due.channel,
            id=due.alert.id,
            why=str(error),
            again_in_s=None if given_up else round(pause_s, 1),
        )
        with contextlib.suppress(HistoryError):  # only a count is lost; the alert stays due
            self._store.failed(due.alert.id, due.channel, at, str(error), final=given_up)

    def _set_aside(self, line: _Line, alert: Alert, now: float) -> bool:
        """Keep a refused alert for later; True if it has been refused for long enough to give it up."""
        aside = line.aside.setdefault(alert.id, _Aside(now, now))
        aside.again_at = now + self._jittered(REFUSED_PAUSE_S)
        if alert.level is Level.PAGE or now - aside.since < REFUSED_NOTICE_S:
            return False
        del line.aside[alert.id]
        line.unstored.pop(alert.id, None)
        return True

    def _jittered(self, pause_s: float) -> float:
        return pause_s * (0.8 + 0.4 * self._chance())

    def _pause_s(self, line: _Line, waiting: list[Due], ready: list[Due], *, whole: bool) -> float | None:
        now = self._clock.ticks()
        if line.next_at is not None:
            return max(0.0, line.next_at - now)
        if not whole:
            return _STORE_PAUSE_S
        if len(ready) > _AT_ONCE or len(waiting) >= _AT_ONCE + len(line.aside):
            return 0.0
        later = [line.aside[due.alert.id].again_at for due in waiting if due.alert.id in line.aside]
        return max(0.0, min(later) - now) if later else None


def _bare(alert: Alert) -> Message:
    """The least that a person must be told, made of nothing that can fail."""
    names = [ascii(name)[1:-1] for name in (alert.host, alert.array) if name]
    title = f"{' '.join(names)}: {alert.kind.value}"
    text = f"{title}\nLevel: {alert.level.value}\nThis message could not be worded in full; run mendwatch status."
    return Message(alert, title, text, "", {"id": alert.id, "kind": alert.kind.value, "title": title}, alert.id)
