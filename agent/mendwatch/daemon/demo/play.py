"""Plays captures through the daemon's own parts at high speed: watch, keeper, history, outbox, channels.

Only the source and the wall clock are made up: it is always the time of the capture that is played.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Self

from mendwatch import cycle
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.keeper import Keeper
from mendwatch.daemon.watch import Desk, Routes, Rules, Watch
from mendwatch.delivery.outbox import Outbox
from mendwatch.history import History
from mendwatch.model.alert import Alert, Message
from mendwatch.model.capture import Capture
from mendwatch.model.errors import SourceError
from mendwatch.model.plugin import Parser, Sender
from mendwatch.model.state import Moment
from mendwatch.model.store import Commit
from mendwatch.tracker.intervals import already_held

_LOOK_S = 60.0
_CLOSE_S = 10.0


class StoryClock:
    """The story's time for the wall, the host's own for pauses and time limits."""

    def __init__(self, at: datetime) -> None:
        self.at = at
        self._steady = SystemClock()

    def now(self) -> datetime:
        """The time of the capture that is played."""
        return self.at

    def ticks(self) -> float:
        """The host's steady clock."""
        return self._steady.ticks()

    def wait(self, seconds: float) -> None:
        """Really wait."""
        self._steady.wait(seconds)


class Shelf:
    """A source whose next capture lies ready."""

    def __init__(self, parser: Parser) -> None:
        self.parser = parser
        self.ready: Capture | None = None

    def present(self) -> bool:
        """It is there."""
        return True

    def capture(self) -> Capture:
        """What lies ready."""
        if self.ready is None:
            message = "nothing lies ready"
            raise SourceError(message)
        return self.ready


@dataclass(frozen=True, slots=True)
class Beat:
    """One poll of the story: how things stand after it, and what it raised."""

    at: datetime
    state: cycle.SourceState
    alerts: tuple[Alert, ...]


class Play:
    """One showing on one history; one that was broken off goes on where it ended.

    Args:
        path: the history.
        parser: reads the captures.
        rules: policy and routes.
        senders: the open channels.
        render: makes alerts ready for people.
        clock: the story's.
    """

    def __init__(
        self,
        path: Path,
        parser: Parser,
        rules: Rules,
        senders: Mapping[str, Sender],
        render: Callable[[Alert], Message],
        clock: StoryClock,
    ) -> None:
        self._parser = parser
        self._rules = rules
        self._channels = tuple(senders)
        self._clock = clock
        self._keeper = Keeper(lambda: History.open(path, exclusive=True), clock)
        # Without chance: nothing here could fall into step with others.
        self._outbox = Outbox(self._keeper, senders, render, clock, lambda: 0.5)
        self._raised: tuple[Alert, ...] = ()

    def __enter__(self) -> Self:
        self._keeper.start(self._outbox.settle)
        return self

    def __exit__(self, *_: object) -> None:
        self._keeper.close(_CLOSE_S)

    def beats(self, captures: Iterable[Capture]) -> Iterator[Beat]:
        """Take one step for each capture that the history does not hold yet.

        Raises:
            HistoryError: the history cannot be used.
        """
        stored = self._keeper.ask(lambda store: store.states()).get(self._parser.name)
        state = cycle.begin(self._parser.name) if stored is None else cycle.load(stored)
        self._send()  # what an earlier showing raised and did not get rid of
        last = state.track.last
        shelf = Shelf(self._parser)
        desk = Desk(lambda: self._rules, self._keep, self._send, self._unstored)
        watch = Watch(shelf, state, desk, self._clock, _LOOK_S)
        for capture in captures:
            if last is not None and already_held(last, Moment(capture.at, capture.boot, capture.up)):
                continue
            last = None
            self._clock.at = capture.at
            shelf.ready = capture
            self._raised = ()
            watch.poll()
            yield Beat(capture.at, watch.state, self._raised)

    def _keep(self, commit: Commit) -> bool:
        self._raised = commit.alerts
        return self._keeper.keep(commit)

    def _send(self) -> None:
        for channel in self._channels:
            while self._outbox.deliver_once(channel) == 0.0:
                pass

    def _unstored(self, alerts: tuple[Alert, ...], routes: Routes) -> None:
        self._outbox.send_now(alerts, routes)
        self._send()
