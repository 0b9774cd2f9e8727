"""Keeps the outbox going: one job a channel, and word of a channel that fails by the others."""

from __future__ import annotations

from functools import partial

from mendwatch.daemon.keeper import Keeper
from mendwatch.daemon.pace import Pace
from mendwatch.daemon.watch import Routes
from mendwatch.daemon.wiring import Wiring
from mendwatch.delivery.failing import channel_failing
from mendwatch.delivery.outbox import Outbox
from mendwatch.model.alert import Alert
from mendwatch.model.clock import Clock

_IDLE_S = 60.0
_LEAST_S = 0.2  # a pause of none would meet the run that asks for it


class Post:
    """Sends what is due by every channel of the configuration."""

    def __init__(self, outbox: Outbox, keeper: Keeper, pace: Pace, clock: Clock) -> None:
        self._outbox = outbox
        self._keeper = keeper
        self._pace = pace
        self._clock = clock
        self._wired: Wiring | None = None
        self._raised: set[str] = set()

    def open(self, wired: Wiring) -> None:
        """Send by these channels from now on."""
        before = set(self._wired.senders) if self._wired is not None else set()
        self._wired = wired
        self._outbox.use(wired.senders)
        for channel in before - set(wired.senders):
            self._pace.drop(_job(channel))
        for channel in wired.senders:
            self._pace.every(_job(channel), lambda: _IDLE_S, partial(self._send, channel))
        self._pace.every("failing channels", lambda: _IDLE_S, self._complain)

    def stored(self) -> None:
        """Alerts were stored: send them."""
        for channel in self._wired.senders if self._wired is not None else ():
            self._pace.soon(_job(channel))

    def unstored(self, alerts: tuple[Alert, ...], routes: Routes) -> None:
        """Alerts could not be stored: send them all the same."""
        self._outbox.send_now(alerts, routes)
        self.stored()

    def settle(self) -> None:
        """What was sent before it could be stored has been stored: mark it. Called in the keeper's thread."""
        self._outbox.settle()

    def _send(self, channel: str) -> None:
        pause_s = self._outbox.deliver_once(channel)
        if pause_s is not None:
            self._pace.within(_job(channel), max(_LEAST_S, pause_s))

    def _complain(self) -> None:
        """Say by the other channels that one fails, once for each time that it does."""
        if self._wired is None:
            return
        failing = channel_failing(self._outbox.failing(), self._wired.host, self._clock.now())
        alerts = tuple(alert for alert in failing if alert.id not in self._raised)
        if not alerts:
            return
        self._raised.update(alert.id for alert in alerts)
        routes = self._wired.rules.routes(alerts)
        self._keeper.add_alerts(alerts, routes)
        if self._keeper.failing:
            self._outbox.send_now(alerts, routes)
        self.stored()


def _job(channel: str) -> str:
    return f"send {channel}"
