"""A real history that can be told to refuse writes or to hang."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from mendwatch.history import History
from mendwatch.model.alert import Alert
from mendwatch.model.errors import HistoryError
from mendwatch.model.store import Commit, Due


class SlowStore:
    """Stands between the keeper and the history, as a bad disk does."""

    def __init__(self, history: History) -> None:
        self.history = history
        self.full = False
        self.answers = threading.Event()
        self.answers.set()
        self.commits = 0

    @contextmanager
    def hanging(self) -> Iterator[None]:
        self.answers.clear()
        try:
            yield
        finally:
            self.answers.set()

    def _touch(self, *, write: bool) -> None:
        self.answers.wait(60)
        if write and self.full:
            message = "the disk is full; free some space"
            raise HistoryError(message)

    def commit(self, commit: Commit) -> None:
        self._touch(write=True)
        self.history.commit(commit)
        self.commits += 1

    def add_alerts(self, alerts: tuple[Alert, ...], deliveries: tuple[tuple[str, str], ...]) -> None:
        self._touch(write=True)
        self.history.add_alerts(alerts, deliveries)

    def states(self) -> dict[str, str]:
        self._touch(write=False)
        return self.history.states()

    def due(self, channel: str, limit: int) -> tuple[Due, ...]:
        self._touch(write=False)
        return self.history.due(channel, limit)

    def delivered(self, alert_id: str, channel: str, at: datetime, detail: str) -> None:
        self._touch(write=True)
        self.history.delivered(alert_id, channel, at, detail)

    def failed(self, alert_id: str, channel: str, at: datetime, error: str, *, final: bool) -> None:
        self._touch(write=True)
        self.history.failed(alert_id, channel, at, error, final=final)

    def close(self) -> None:
        self._touch(write=False)
        self.history.close()
