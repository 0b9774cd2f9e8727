"""An outbox on the bench: a real history that can be made to refuse, and channels that do what they are told."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from mendwatch.delivery.outbox import Outbox
from mendwatch.history import History
from mendwatch.model.alert import Alert, Message
from mendwatch.model.errors import DeliveryError, HistoryError
from mendwatch.model.store import Due
from support.receivers import HandClock, message

DOWN = DeliveryError("refused", again=True)


@dataclass
class Receiver:
    """A channel that does what it is told, alert by alert."""

    verdict: Callable[[Alert], DeliveryError | None] = lambda _alert: None
    got: list[str] = field(default_factory=list)
    tried: list[str] = field(default_factory=list)

    def send(self, told: Message) -> str:
        self.tried.append(told.alert.id)
        error = self.verdict(told.alert)
        if error is not None:
            raise error
        self.got.append(told.alert.id)
        return "taken"

    def down(self) -> None:
        self.verdict = lambda _alert: DOWN

    def up(self) -> None:
        self.verdict = lambda _alert: None


class Flaky:
    """A history that answers only at times."""

    def __init__(self, history: History) -> None:
        self.history = history
        self.reads = self.writes = True

    def due(self, channel: str, limit: int) -> tuple[Due, ...]:
        if not self.reads:
            raise HistoryError
        return self.history.due(channel, limit)

    def delivered(self, *how: object) -> None:
        if not self.writes:
            raise HistoryError
        self.history.delivered(*how)  # type: ignore[arg-type]

    def failed(self, *how: object, final: bool) -> None:
        if not self.writes:
            raise HistoryError
        self.history.failed(*how, final=final)  # type: ignore[arg-type]


@dataclass
class Bench:
    history: History
    clock: HandClock = field(default_factory=HandClock)
    ops: Receiver = field(default_factory=Receiver)
    mail: Receiver = field(default_factory=Receiver)

    def __post_init__(self) -> None:
        self.store = Flaky(self.history)
        self.outbox = self.begin()

    def begin(self) -> Outbox:
        """As after a start of the agent."""
        self.outbox = Outbox(self.store, {"ops": self.ops, "mail": self.mail}, message, self.clock, lambda: 0.5)
        return self.outbox

    def raise_(self, *alerts: Alert, channels: tuple[str, ...] = ("ops",)) -> list[str]:
        self.history.add_alerts(alerts, [(told.id, channel) for told in alerts for channel in channels])
        return [told.id for told in alerts]

    def run(self, seconds: float, channel: str = "ops") -> None:
        """Let time pass as the daemon does, with an attempt whenever one is due."""
        end = self.clock.ticks() + seconds
        while True:
            pause_s = self.outbox.deliver_once(channel)
            pause_s = 1.0 if pause_s is None else pause_s
            if self.clock.ticks() + pause_s > end:
                self.clock.go(end - self.clock.ticks())
                return
            self.clock.go(pause_s)
