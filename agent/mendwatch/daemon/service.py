"""The daemon as a whole: its jobs, its signals, its beginning and its end."""

from __future__ import annotations

import os
import random
import signal
import socket
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import FrameType

import structlog

from mendwatch import cycle
from mendwatch.daemon import summary
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.keeper import Keeper
from mendwatch.daemon.notify import Notifier
from mendwatch.daemon.pace import Pace
from mendwatch.daemon.post import Post
from mendwatch.daemon.watch import Desk, Looker, Rules, Watch
from mendwatch.daemon.wiring import Wiring, wire
from mendwatch.daemon.zone import local_zone
from mendwatch.delivery.outbox import Outbox
from mendwatch.history import HISTORY_NAME, History
from mendwatch.model.errors import HistoryError, HistoryHeldError, MendwatchError
from mendwatch.reports import messages
from mendwatch.sources.run import Runner

_MEET_S = 180.0  # how often we look for sources that have come
_PULSE_S = 30.0
_STOP_S = 3.5  # for storing what waits; the whole end may take 5 s


class Service:
    """Watches until it is told to stop.

    Args:
        wired: what the configuration asks for.
        wire: reads it again and builds anew, at each reload.
        keeper: the history's thread.
        post: sends alerts.
        pace: runs the jobs.
        clock: the one clock.
        notifier: the service manager's ear.
    """

    def __init__(
        self,
        wired: Wiring,
        wire: Callable[[], Wiring],
        keeper: Keeper,
        post: Post,
        pace: Pace,
        clock: SystemClock,
        notifier: Notifier,
    ) -> None:
        self._wire = wire
        self._wired = wired
        self._keeper = keeper
        self._post = post
        self._pace = pace
        self._clock = clock
        self._notifier = notifier
        self._log = structlog.get_logger()
        self._watches: dict[str, Watch] = {}
        self._remembered: dict[str, str] = {}
        self._changing = threading.Lock()
        self._ready = False

    def run(self) -> None:
        """Watch until SIGTERM or SIGINT.

        Raises:
            HistoryHeldError: another agent watches already.
        """
        signals = _Signals()
        self._keeper.start(self._post.settle)
        try:
            self._remembered = self._keeper.ask(lambda store: store.states())
        except HistoryHeldError:
            raise
        except HistoryError as error:
            self._log.error("starting without what the history holds", why=str(error))
        self._post.open(self._wired)
        self._tell_failed()
        self._pace.start()
        self._pace.every("sources", lambda: _MEET_S, self._meet)
        self._pace.every("pulse", self._pulse_s, self._pulse)
        while (came := signals.wait()) not in {signal.SIGTERM, signal.SIGINT}:
            if came == signal.SIGHUP:
                self._reload()
        self._stop()

    # Sources.

    def _meet(self) -> None:
        """Begin to watch each source that is there, is enabled by name, or is known from before.

        What cannot be loaded counts as there: `status` then shows why nothing is known of it.
        """
        with self._changing:
            for name, looker in self._wired.lookers.items():
                known = name in self._remembered or name in self._wired.named or name in self._wired.failed
                if name not in self._watches and (known or looker.present()):
                    self._begin(name, looker)
        self._seen()

    def _begin(self, name: str, looker: Looker) -> None:
        desk = Desk(self._rules, self._keeper.keep, self._post.stored, self._post.unstored)
        watch = Watch(looker, self._recall(name), desk, self._clock, self._wired.look_limit_s(name))

        def poll() -> None:
            was_busy = watch.busy
            watch.poll()
            if watch.busy and not was_busy:
                self._pace.within(f"poll {name}", self._wired.rebuild_s)
            self._seen()

        self._watches[name] = watch
        self._pace.every(f"poll {name}", lambda: self._wired.pause_s(busy=watch.busy), poll)
        self._log.info("watching", source=name)

    def _recall(self, name: str) -> cycle.SourceState:
        """What the history holds of a source, else a beginning."""
        stored = self._remembered.pop(name, None)
        if stored is not None:
            try:
                return cycle.load(stored)
            except HistoryError as error:
                self._log.error("what the history holds of a source is of no use; beginning anew", why=str(error))
        return cycle.begin(name)

    def _rules(self) -> Rules:
        return self._wired.rules

    # The service manager.

    def _seen(self) -> None:
        """Say how things stand, and that we are ready once every source was polled."""
        watches = list(self._watches.values())
        unstored = "; the history takes no writes" if self._keeper.failing else ""
        self._notifier.status(summary.line([watch.state for watch in watches]) + unstored)
        with self._changing:
            first = not self._ready and all(watch.polled for watch in watches)
            self._ready = self._ready or first
        if first:
            self._notifier.ready()

    def _pulse_s(self) -> float:
        watchdog_s = self._notifier.watchdog_s
        return _PULSE_S if watchdog_s is None else min(_PULSE_S, watchdog_s / 2)

    def _pulse(self) -> None:
        """Feed the watchdog while polls come to an end; one source that does not answer is not our fault."""
        watches = list(self._watches.values())
        now = self._clock.ticks()
        if not watches or any(
            now - watch.polled_at < self._wired.pause_s(busy=watch.busy) + watch.limit_s + 2 * _PULSE_S
            for watch in watches
        ):
            self._notifier.alive()

    # The configuration.

    def _reload(self) -> None:
        """Take the new configuration if it is right, else keep the old one and say what is wrong."""
        self._notifier.reloading(self._clock.monotonic_usec())
        try:
            wired = self._wire()
        except MendwatchError as error:
            self._log.error("the new configuration is wrong; keeping the old one", problems=str(error).splitlines())
        except Exception:  # noqa: BLE001 - the loop that cannot die: what a plug-in does to a reload must not end the watch
            self._log.exception("the new configuration could not be taken, by a fault of our own; keeping the old one")
        else:
            if wired.settings.host.state_dir != self._wired.settings.host.state_dir:
                self._log.warning(
                    "another state_dir counts from the next start on", now=self._wired.settings.host.state_dir
                )
            self._take(wired)
            self._tell_failed()
            self._log.info("the new configuration is in force")
        if self._ready:
            self._notifier.ready()

    def _tell_failed(self) -> None:
        for name, why in self._wired.failed.items():
            self._log.error("a plug-in cannot be used; going on without it", name=name, why=why)

    def _take(self, wired: Wiring) -> None:
        with self._changing:
            self._wired = wired
            self._post.open(wired)
            for name in [name for name in self._watches if name not in wired.lookers]:
                self._pace.drop(f"poll {name}")
                self._remembered[name] = cycle.dump(self._watches.pop(name).state)
            for name, watch in self._watches.items():
                watch.looker = wired.lookers[name]
                watch.limit_s = wired.look_limit_s(name)
                self._pace.within(f"poll {name}", wired.pause_s(busy=watch.busy))
        self._pace.soon("sources")

    # The end.

    def _stop(self) -> None:
        """Start nothing more, store what waits, and leave; what was not sent is sent after the next start."""
        self._notifier.stopping()
        self._log.info("stopping")
        self._pace.stop()
        if not self._keeper.close(_STOP_S):
            self._log.error("the history does not answer; leaving without storing what waits")
        self._clock.end()


class _Signals:
    """Signals as bytes on a socket: the handlers do nothing, so that they can interrupt anything without harm."""

    def __init__(self) -> None:
        self._in, out = socket.socketpair()
        out.setblocking(False)  # noqa: FBT003 - the library's own signature
        self._out = out  # must stay open
        signal.set_wakeup_fd(out.fileno(), warn_on_full_buffer=False)
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            signal.signal(number, _nothing)

    def wait(self) -> signal.Signals:
        """The next signal."""
        return signal.Signals(self._in.recv(1)[0])


def _nothing(_number: int, _frame: FrameType | None) -> None:
    """The wake-up socket has told already."""


def serve(config: Path | None) -> None:
    """Put the daemon together and watch until told to stop.

    Raises:
        UsageError, SettingsError: the configuration cannot be used.
        HistoryHeldError: another agent watches already.
    """
    clock = SystemClock()
    runner = Runner(clock)
    wired = wire(config, runner, clock)
    path = Path(wired.settings.host.state_dir) / HISTORY_NAME
    keeper = Keeper(lambda: History.open(path, exclusive=True), clock)
    outbox = Outbox(keeper, wired.senders, partial(messages.render, zone=local_zone()), clock, random.random)
    pace = Pace(clock)
    post = Post(outbox, keeper, pace, clock)
    notifier = Notifier(os.environ, os.getpid())
    Service(wired, lambda: wire(config, runner, clock), keeper, post, pace, clock, notifier).run()
