"""The one thread that touches the history, so that a store that is full, read-only or hung holds up nobody else.

Whoever wants something stored hands it in and waits a bounded time. What could not be stored in that time is kept in
memory, in order, and stored when the store takes writes again; each source then has one commit in waiting at most,
into which the later ones are folded, so that a long outage does not fill the memory.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Protocol, TypeVar, cast

import structlog

from mendwatch.model.alert import Alert
from mendwatch.model.clock import Clock
from mendwatch.model.errors import HistoryError
from mendwatch.model.store import Commit, Due, OutboxStore

T = TypeVar("T")

ANSWER_S = 10.0  # contract: a store that does not take the write within 10 s must not silence a page
_DUE_S = 3.0  # the outbox holds alerts of its own that a hung store must not keep waiting
_RETRY_S = 5.0
_LOUD_S = 600.0
_MAX_SAMPLES = 2000
_MAX_NOTES = 10_000


class Store(OutboxStore, Protocol):
    """What the daemon asks of the history."""

    def commit(self, commit: Commit) -> None:
        """Write all of it, or nothing."""
        ...

    def add_alerts(self, alerts: tuple[Alert, ...], deliveries: tuple[tuple[str, str], ...]) -> None:
        """Write alerts that no poll raised."""
        ...

    def states(self) -> dict[str, str]:
        """The state of each source."""
        ...

    def close(self) -> None:
        """Give it back."""
        ...


@dataclass(slots=True)
class _Waiting:
    commit: Commit
    stored: list[threading.Event] = field(default_factory=list)


@dataclass(slots=True)
class _Ask:
    question: Callable[[Store], object]
    answer: object = None
    refusal: HistoryError | None = None
    done: threading.Event = field(default_factory=threading.Event)

    def serve(self, store: Store) -> None:
        if self.done.is_set():
            return
        try:
            self.answer = self.question(store)
        except HistoryError as error:
            self.refusal = error
        self.done.set()

    def refuse(self, why: HistoryError) -> None:
        self.refusal = why
        self.done.set()


class Keeper:
    """Stores in the background; itself the outbox's store.

    Args:
        open_store: opens the history; called again until it succeeds.
        clock: for the pauses between attempts.
    """

    def __init__(self, open_store: Callable[[], Store], clock: Clock) -> None:
        self._open = open_store
        self._clock = clock
        self._after_commit: Callable[[], None] = lambda: None
        self._log = structlog.get_logger()
        self._more = threading.Condition()
        self._asks: deque[_Ask] = deque()
        self._notes: deque[Callable[[Store], None]] = deque(maxlen=_MAX_NOTES)
        self._marked: dict[tuple[str, str], None] = {}
        self._waiting: dict[str, _Waiting] = {}
        self._ending = False
        self._ended = threading.Event()
        self._retry_at: float | None = None
        self._told_at: float | None = None
        self._store: Store | None = None
        self._thread = threading.Thread(target=self._work, name="keeper", daemon=True)

    def start(self, after_commit: Callable[[], None]) -> None:
        """Open the store and go to work.

        Args:
            after_commit: called in the keeper's thread after each stored commit, before anything else is read.
        """
        self._after_commit = after_commit
        self._thread.start()

    def keep(self, commit: Commit, wait_s: float | None = None) -> bool:
        """Store a commit; True if the store took it in time, else it is kept and stored later.

        Args:
            commit: what one poll left behind.
            wait_s: by default only a commit with alerts is waited for, since nothing is sent on account of another.
        """
        stored = threading.Event()
        with self._more:
            waiting = self._waiting.get(commit.source.source)
            if waiting is None:
                self._waiting[commit.source.source] = _Waiting(commit, [stored])
            else:
                waiting.commit = fold(waiting.commit, commit)
                waiting.stored.append(stored)
            self._more.notify_all()
        if wait_s is None:
            wait_s = ANSWER_S if commit.alerts else 0.0
        return stored.wait(wait_s)

    def ask(self, question: Callable[[Store], T], wait_s: float = ANSWER_S) -> T:
        """Read from the store.

        Raises:
            HistoryError: the store refused, or did not answer in time.
        """
        if threading.current_thread() is self._thread:
            return question(self._opened())
        asked = _Ask(question)
        with self._more:
            self._asks.append(asked)
            self._more.notify_all()
        if not asked.done.wait(wait_s):
            asked.done.set()  # the asker leaves
            message = f"the history did not answer within {wait_s:.0f} s"
            raise HistoryError(message)
        if asked.refusal is not None:
            raise asked.refusal
        return cast("T", asked.answer)

    @property
    def failing(self) -> bool:
        """The store takes no writes for now."""
        return self._retry_at is not None

    def close(self, wait_s: float) -> bool:
        """Store what waits, close the store, and say whether that was done in time."""
        with self._more:
            self._ending = True
            self._more.notify_all()
        return self._ended.wait(wait_s)

    # The outbox's side: marks are written in order when the store takes them; until then the outbox remembers.

    def due(self, channel: str, limit: int) -> tuple[Due, ...]:
        """The oldest undelivered alerts of a channel; what was delivered but could not be marked yet is not due."""
        marked = {alert_id for alert_id, by in tuple(self._marked) if by == channel}
        found = self.ask(lambda store: store.due(channel, limit + len(marked)), _DUE_S)
        return tuple(due for due in found if due.alert.id not in marked)[:limit]

    def delivered(self, alert_id: str, channel: str, at: datetime, detail: str) -> None:
        """Note that a delivery succeeded."""
        mark = (alert_id, channel)
        self._marked[mark] = None

        def write(store: Store) -> None:
            store.delivered(alert_id, channel, at, detail)
            self._marked.pop(mark, None)

        self._note(write)

    def failed(self, alert_id: str, channel: str, at: datetime, error: str, *, final: bool) -> None:
        """Note that an attempt failed."""
        self._note(lambda store: store.failed(alert_id, channel, at, error, final=final))

    def add_alerts(self, alerts: tuple[Alert, ...], deliveries: tuple[tuple[str, str], ...]) -> None:
        """Note alerts that no poll raised."""
        self._note(lambda store: store.add_alerts(alerts, deliveries))

    def _note(self, write: Callable[[Store], None]) -> None:
        if threading.current_thread() is self._thread:
            write(self._opened())
            return
        with self._more:
            self._notes.append(write)
            self._more.notify_all()

    # The thread.

    def _work(self) -> None:
        while True:
            with self._more:
                self._more.wait_for(self._has_work, timeout=self._pause())
                if self._ending and not (self._waiting or self._notes):
                    break
            try:
                self._turn()
                self._recovered()
            except HistoryError as error:
                self._failed(str(error), ours=False)
                while self._store is None and self._asks:
                    self._asks.popleft().refuse(error)
            except Exception as error:  # noqa: BLE001 - storing must go on whatever went wrong; it is told as our fault
                self._failed(repr(error), ours=True)
            if self._ending and self._retry_at is not None:
                break
        if self._store is not None:
            self._store.close()
        self._ended.set()

    def _has_work(self) -> bool:
        pending = bool(self._waiting or self._notes or self._store is None)
        return self._ending or (bool(self._asks) and self._store is not None) or (self._writable() and pending)

    def _writable(self) -> bool:
        return self._retry_at is None or self._clock.ticks() >= self._retry_at

    def _pause(self) -> float | None:
        return None if self._retry_at is None else max(0.05, self._retry_at - self._clock.ticks())

    def _turn(self) -> None:
        store = self._opened()
        try:
            if self._ending or self._writable():
                self._write(store)
                self._retry_at = None
        finally:
            # A store that takes no writes can often still be read.
            while self._asks:
                self._asks.popleft().serve(store)

    def _write(self, store: Store) -> None:
        while self._notes:
            note = self._notes.popleft()
            try:
                note(store)
            except BaseException:
                self._notes.appendleft(note)
                raise
        while self._waiting:
            with self._more:
                source = next(iter(self._waiting))
                waiting = self._waiting.pop(source)
            try:
                store.commit(waiting.commit)
            except BaseException:
                self._put_back(source, waiting)
                raise
            try:
                self._after_commit()
            finally:
                for stored in waiting.stored:
                    stored.set()

    def _put_back(self, source: str, waiting: _Waiting) -> None:
        with self._more:
            later = self._waiting.pop(source, None)
            if later is not None:
                waiting = _Waiting(fold(waiting.commit, later.commit), waiting.stored + later.stored)
            self._waiting = {source: waiting, **self._waiting}

    def _opened(self) -> Store:
        if self._store is None:
            self._store = self._open()
        return self._store

    def _failed(self, why: str, *, ours: bool) -> None:
        now = self._clock.ticks()
        self._retry_at = now + _RETRY_S
        if self._told_at is None or now - self._told_at >= _LOUD_S:
            self._told_at = now
            self._log.error(
                "the history takes no writes; going on from memory, alerts are sent all the same",
                why=why,
                our_fault=ours,
                exc_info=ours,
            )

    def _recovered(self) -> None:
        if self._retry_at is None and self._told_at is not None:
            self._told_at = None
            self._log.info("the history takes writes again; what was kept in memory is stored")


def fold(earlier: Commit, later: Commit) -> Commit:
    """Two commits of one source as one: nothing is lost but the oldest samples of a very long outage."""
    return replace(
        later,
        samples=(earlier.samples + later.samples)[-_MAX_SAMPLES:],
        runs=tuple({run.id: run for run in earlier.runs + later.runs}.values()),
        windows=tuple({window.id: window for window in earlier.windows + later.windows}.values()),
        alerts=earlier.alerts + later.alerts,
        deliveries=earlier.deliveries + later.deliveries,
    )
