"""One source followed without end: look, take one step, store it, see to its alerts."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Protocol

import structlog

from mendwatch import cycle
from mendwatch.model.alert import Alert
from mendwatch.model.capture import Capture
from mendwatch.model.clock import Clock
from mendwatch.model.errors import SourceError
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import Parser
from mendwatch.model.policy import HostPolicy
from mendwatch.model.store import Commit
from mendwatch.sources.registry import Failed

Routes = tuple[tuple[str, str], ...]
MOST_KINDS = 100  # of lines that were not understood are logged
LINE_WIDTH = 200


class Looker(Protocol):
    """Reads one source."""

    @property
    def parser(self) -> Parser:
        """What understands it."""
        ...

    def present(self) -> bool:
        """Whether the storage system is on this host."""
        ...

    def capture(self) -> Capture:
        """One poll."""
        ...


@dataclass(frozen=True, slots=True)
class Rules:
    """What the configuration says; a reload puts another in its place.

    Attributes:
        policy: what is asked of the arrays.
        routes: which channels each alert goes to.
    """

    policy: HostPolicy
    routes: Callable[[tuple[Alert, ...]], Routes]


@dataclass(frozen=True, slots=True)
class Desk:
    """Where a watch hands in what it has found.

    Attributes:
        rules: the rules as they are now.
        keep: stores a commit; False if the store did not take it in time.
        stored: alerts were stored, so that they can be sent.
        unstored: alerts that could not be stored and must be sent all the same, with their routes.
    """

    rules: Callable[[], Rules]
    keep: Callable[[Commit], bool]
    stored: Callable[[], None]
    unstored: Callable[[tuple[Alert, ...], Routes], None]


class Watch:
    """Follows one source.

    Args:
        looker: reads the source.
        state: what the history holds of it.
        limit_s: a look that takes longer is given up for the time being; the tools' own limits are far below.

    Attributes:
        busy: something rebuilds or a window is open.
        polled: it was polled at least once, with or without success.
        polled_at: steady time when the last poll was over.
        arrays: how its arrays stand, for a line of status.
    """

    def __init__(self, looker: Looker, state: cycle.SourceState, desk: Desk, clock: Clock, limit_s: float) -> None:
        self.looker = looker
        self.limit_s = limit_s
        self.busy = False
        self.polled = False
        self.polled_at = clock.ticks()
        self._state = state
        self._desk = desk
        self._clock = clock
        self._looking: _Looking | None = None
        self._log = structlog.get_logger().bind(source=looker.parser.name)
        self._error: str | None = None
        self._unread: set[str] = set()

    @property
    def source(self) -> str:
        """The source's name."""
        return self.looker.parser.name

    @property
    def state(self) -> cycle.SourceState:
        """What is known after the last poll."""
        return self._state

    def poll(self) -> None:
        """One poll; whatever goes wrong in it, there will be a next one."""
        try:
            self._poll()
        except Exception:  # noqa: BLE001 - the loop that cannot die: a fault of ours in one poll must not end the watch
            self._log.exception("a poll failed by a fault of our own; going on with the next")
        self.polled = True
        self.polled_at = self._clock.ticks()

    def _poll(self) -> None:
        rules = self._desk.rules()
        capture, parser = self._look()
        try:
            step = cycle.step(self._state, capture, parser, rules.policy)
        except Exception as error:  # noqa: BLE001 - see below
            # Blind with a reason is better than silent: after a while the policy pages for it.
            self._log.exception("what the source said could not be judged, by a fault of our own")
            why = f"a fault of the agent's own: {error!r}"
            blind = Failed(self.source, why)
            step = cycle.step(self._state, replace(capture, reads=()), blind, rules.policy)
        self._state = step.state
        self.busy = step.busy
        self._tell(step.observation)
        self._hand_in(replace(step.commit, deliveries=rules.routes(step.commit.alerts)))

    def _hand_in(self, commit: Commit) -> None:
        for alert in commit.alerts:
            self._log.info(
                "alert raised", id=alert.id, kind=alert.kind.value, alert_level=alert.level.value, array=alert.array
            )
        stored = self._desk.keep(commit)
        if commit.alerts and stored:
            self._desk.stored()
        elif commit.alerts:
            self._desk.unstored(commit.alerts, commit.deliveries)

    def _look(self) -> tuple[Capture, Parser]:
        """What the source says now, or that it does not answer."""
        wait_s = 0.0
        if self._looking is None:
            self._looking = _Looking(self.looker, self._clock.ticks())
            wait_s = self.limit_s
        looking = self._looking
        if looking.over.wait(wait_s):
            self._looking = None
            if looking.capture is not None and wait_s > 0:
                return looking.capture, self.looker.parser
            if looking.capture is not None:  # it came back at last: what it brought is old by now
                return self._look()
            why = looking.why or "the look ended without a word"
        else:
            why = f"it has not answered for {self._clock.ticks() - looking.since:.0f} s"
        return Capture(self._clock.now(), self.source), Failed(self.source, why)

    def _tell(self, seen: Observation) -> None:
        """Log when a source stops or begins to answer, and each kind of line that is not understood: once."""
        for line in seen.unread:
            kind = re.sub(r"\d+", "0", line.text)
            if kind not in self._unread and len(self._unread) < MOST_KINDS:
                self._unread.add(kind)
                self._log.warning("a line was not understood", line=line.line, text=line.text[:LINE_WIDTH])
        error = seen.error
        if error is not None and self._error is None:
            self._log.warning("the source cannot be read", why=error)
        elif error is None and self._error is not None:
            self._log.info("the source can be read again")
        self._error = error


class _Looking:
    """One look in a thread of its own, so that one that hangs can be left alone."""

    def __init__(self, looker: Looker, since: float) -> None:
        self.since = since
        self.over = threading.Event()
        self.capture: Capture | None = None
        self.why: str | None = None
        self._looker = looker
        threading.Thread(target=self._run, name=f"look {looker.parser.name}", daemon=True).start()

    def _run(self) -> None:
        try:
            self.capture = self._looker.capture()
        except SourceError as error:
            self.why = str(error)
        except Exception as error:  # noqa: BLE001 - a plug-in's fault must not end the watch; it is told with its trace
            self.why = f"a fault of the agent's own: {error!r}"
            structlog.get_logger().exception("a look failed by a fault of our own", source=self._looker.parser.name)
        finally:
            self.over.set()
