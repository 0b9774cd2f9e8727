"""The history: what each poll left behind, and what is still to be sent."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import IO, Any, Self

from mendwatch.history import codec, opening
from mendwatch.history.refusals import worded
from mendwatch.model.alert import Alert
from mendwatch.model.errors import HistoryError, UsageError
from mendwatch.model.records import RunRecord, Sample, SourceRecord, WindowRecord
from mendwatch.model.store import Commit, DeliveryRecord, Due

MEMORY = ":memory:"
_SAMPLES_AT_ONCE = 500


class History:
    """One history, used by any number of threads one after the other.

    Every method raises HistoryError when the file cannot be read or written; what to do stands in its text.
    """

    def __init__(self, connection: sqlite3.Connection, path: str, lock: IO[bytes] | None) -> None:
        self._connection = connection
        self._path = path
        self._lock = lock
        self._turn = threading.RLock()

    @classmethod
    def open(cls, path: str | Path, *, readonly: bool = False, exclusive: bool = False) -> Self:
        """Open the history, or begin one.

        Args:
            path: the file, or ``:memory:``.
            readonly: it must be there, and nothing is written.
            exclusive: refuse if another agent holds it, and look for damage first: for the one that runs for long.

        Raises:
            HistoryError: it cannot be used; the file is left as it is.
        """
        if str(path) == MEMORY:
            return cls(opening.connect_memory(), MEMORY, None)
        file = Path(path)
        with _placed(str(file)), worded(str(file)):
            if readonly:
                return cls(opening.connect_to_read(file), str(file), None)
            lock = opening.hold(file) if exclusive else None
            try:
                return cls(opening.connect_to_write(file, check=exclusive), str(file), lock)
            except BaseException:
                if lock is not None:
                    lock.close()
                raise

    def close(self) -> None:
        """Give the file back."""
        with self._turn:
            self._connection.close()
            if self._lock is not None:
                self._lock.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # What a poll leaves behind.

    def commit(self, commit: Commit) -> None:
        """Write all that one poll changed, or nothing."""
        with self._writing() as connection:
            connection.execute(
                "INSERT INTO sources (name, record, state) VALUES (?, ?, ?)"
                " ON CONFLICT (name) DO UPDATE SET record = excluded.record, state = excluded.state",
                (commit.source.source, _text(codec.SOURCE.dump_json(commit.source)), commit.state),
            )
            for run in commit.runs:
                _put_run(connection, run)
            for window in commit.windows:
                _put_window(connection, window)
            connection.executemany(
                "INSERT INTO samples (run, elapsed_s, at, record) VALUES ((SELECT key FROM runs WHERE id = ?), ?, ?, ?)"
                " ON CONFLICT DO NOTHING",
                [(s.run, s.elapsed_s, codec.to_micros(s.at), codec.sample_to_text(s)) for s in commit.samples],
            )
            _put_alerts(connection, commit.alerts, commit.deliveries)

    def add_alerts(self, alerts: Iterable[Alert], deliveries: Iterable[tuple[str, str]]) -> None:
        """Write alerts that no poll raised; one whose id is there already is left as it is."""
        with self._writing() as connection:
            _put_alerts(connection, alerts, deliveries)

    # What is known.

    def states(self) -> dict[str, str]:
        """The state of each source, as it was handed in."""
        return {str(name): str(state) for name, state in self._read("SELECT name, state FROM sources ORDER BY name")}

    def sources(self) -> tuple[SourceRecord, ...]:
        """When each source was last polled."""
        rows = self._read("SELECT record FROM sources ORDER BY name")
        return tuple(codec.SOURCE.validate_json(text) for (text,) in rows)

    def runs(self, array: str | None = None, type: str | None = None) -> tuple[RunRecord, ...]:  # noqa: A002 - its name in the records
        """Rebuilds and passes in the order in which they began.

        Args:
            array: only those of the array of this name or id.
            type: only ``rebuild`` or ``pass``.
        """
        rows = self._read(
            "SELECT record FROM runs WHERE (:array IS NULL OR :array IN (array, array_id))"
            " AND (:type IS NULL OR :type = type) ORDER BY started, id",
            {"array": array, "type": type},
        )
        return tuple(codec.RUN.validate_json(text) for (text,) in rows)

    def run(self, id_or_prefix: str) -> RunRecord:
        """The one run with this id, or whose id begins so.

        Raises:
            UsageError: there is none, or more than one.
        """
        return codec.RUN.validate_json(self._only("runs", id_or_prefix))

    def windows(self, array: str | None = None) -> tuple[WindowRecord, ...]:
        """Degraded windows in the order in which they opened."""
        rows = self._read(
            "SELECT record FROM windows WHERE :array IS NULL OR :array IN (array, array_id) ORDER BY opened, id",
            {"array": array},
        )
        return tuple(codec.WINDOW.validate_json(text) for (text,) in rows)

    def window(self, id_or_prefix: str) -> WindowRecord:
        """The one window with this id, or whose id begins so.

        Raises:
            UsageError: there is none, or more than one.
        """
        return codec.WINDOW.validate_json(self._only("windows", id_or_prefix))

    def samples(self, run_id: str) -> Iterator[Sample]:
        """Every sample of a run, in order; others may use the history between two of them."""
        after: tuple[float, int] = (-1.0, 0)
        while True:
            rows = self._read(
                "SELECT s.at, s.elapsed_s, s.record FROM samples s JOIN runs r ON r.key = s.run"
                " WHERE r.id = ? AND (s.elapsed_s, s.at) > (?, ?) ORDER BY s.elapsed_s, s.at LIMIT ?",
                (run_id, *after, _SAMPLES_AT_ONCE),
            )
            for at, elapsed_s, text in rows:
                yield codec.sample_from_text(run_id, at, elapsed_s, text)
                after = (elapsed_s, at)
            if len(rows) < _SAMPLES_AT_ONCE:
                return

    def alerts(self, rebuild: str | None = None, window: str | None = None) -> tuple[Alert, ...]:
        """Alerts in the order in which they were raised; of one rebuild or window if its id is given."""
        rows = self._read(
            "SELECT record FROM alerts WHERE (:rebuild IS NULL OR rebuild = :rebuild)"
            " AND (:window IS NULL OR window = :window) ORDER BY key",
            {"rebuild": rebuild, "window": window},
        )
        return tuple(codec.ALERT.validate_json(text) for (text,) in rows)

    def deliveries(self, alert_id: str) -> tuple[DeliveryRecord, ...]:
        """How an alert fares, by channel."""
        rows = self._read(
            "SELECT d.channel, d.attempts, d.last_attempt, d.delivered, d.given_up, d.detail FROM deliveries d"
            " JOIN alerts a ON a.key = d.alert WHERE a.id = ? ORDER BY d.channel",
            (alert_id,),
        )
        return tuple(
            DeliveryRecord(
                alert_id=alert_id,
                channel=channel,
                attempts=attempts,
                last_attempt=codec.time_or_none(last_attempt),
                delivered=codec.time_or_none(delivered),
                given_up=codec.time_or_none(given_up),
                detail=detail,
            )
            for channel, attempts, last_attempt, delivered, given_up, detail in rows
        )

    # The outbox.

    def due(self, channel: str, limit: int) -> tuple[Due, ...]:
        """The oldest undelivered alerts of a channel, in the order in which they were raised."""
        rows = self._read(
            "SELECT a.record, d.attempts, d.detail, d.first_failed FROM deliveries d JOIN alerts a ON a.key = d.alert"
            " WHERE d.channel = ? AND d.delivered IS NULL AND d.given_up IS NULL ORDER BY d.alert LIMIT ?",
            (channel, limit),
        )
        return tuple(
            Due(codec.ALERT.validate_json(text), channel, attempts, detail, codec.time_or_none(first_failed))
            for text, attempts, detail, first_failed in rows
        )

    def delivered(self, alert_id: str, channel: str, at: datetime, detail: str) -> None:
        """Note that a delivery succeeded."""
        with self._writing() as connection:
            connection.execute(
                "UPDATE deliveries SET attempts = attempts + 1, last_attempt = :at, delivered = :at, detail = :detail"
                " WHERE channel = :channel AND alert = (SELECT key FROM alerts WHERE id = :id) AND delivered IS NULL",
                {"at": codec.to_micros(at), "detail": detail, "channel": channel, "id": alert_id},
            )

    def failed(self, alert_id: str, channel: str, at: datetime, error: str, *, final: bool) -> None:
        """Note that an attempt failed; ``final`` gives the delivery up."""
        with self._writing() as connection:
            connection.execute(
                "UPDATE deliveries SET attempts = attempts + 1, last_attempt = :at, detail = :error,"
                " first_failed = coalesce(first_failed, :at), given_up = CASE WHEN :final THEN :at END"
                " WHERE channel = :channel AND alert = (SELECT key FROM alerts WHERE id = :id) AND delivered IS NULL",
                {"at": codec.to_micros(at), "error": error, "final": final, "channel": channel, "id": alert_id},
            )

    # The file.

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it is on the disk when this is left, or nothing."""
        with self._turn, worded(self._path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield self._connection
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:  # SQLite ends it itself on some errors
                    self._connection.execute("ROLLBACK")
                raise

    def _read(self, question: str, values: tuple[object, ...] | dict[str, object] = ()) -> list[tuple[Any, ...]]:
        with self._turn, worded(self._path):
            return self._connection.execute(question, values).fetchall()

    def _only(self, table: str, id_or_prefix: str) -> str:
        rows = self._read(
            f"SELECT id, record FROM {table} WHERE substr(id, 1, length(:id)) = :id ORDER BY id = :id DESC, id LIMIT 2",  # noqa: S608 - our own table names
            {"id": id_or_prefix},
        )
        if not rows or not id_or_prefix:
            message = f"the history holds nothing with the id {id_or_prefix!r}; see mendwatch history"
            raise UsageError(message)
        if len(rows) > 1 and rows[0][0] != id_or_prefix:
            message = f"more than one id begins with {id_or_prefix!r} ({rows[0][0]}, {rows[1][0]}); give more of it"
            raise UsageError(message)
        return str(rows[0][1])


@contextmanager
def _placed(path: str) -> Iterator[None]:
    """Say which file it is about; what SQLite refuses is worded already."""
    try:
        yield
    except HistoryError as error:
        if path in str(error):
            raise
        message = f"the history {path}: {error}"
        raise type(error)(message) from error


def _put_run(connection: sqlite3.Connection, run: RunRecord) -> None:
    connection.execute(
        "INSERT INTO runs (id, type, array, array_id, started, record) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (id)"
        " DO UPDATE SET array = excluded.array, array_id = excluded.array_id, started = excluded.started,"
        " record = excluded.record",
        (run.id, run.type, run.array, run.array_id, codec.to_micros(run.started), _text(codec.RUN.dump_json(run))),
    )


def _put_window(connection: sqlite3.Connection, window: WindowRecord) -> None:
    connection.execute(
        "INSERT INTO windows (id, array, array_id, opened, record) VALUES (?, ?, ?, ?, ?) ON CONFLICT (id)"
        " DO UPDATE SET array = excluded.array, array_id = excluded.array_id, opened = excluded.opened,"
        " record = excluded.record",
        (
            window.id,
            window.array,
            window.array_id,
            codec.to_micros(window.opened),
            _text(codec.WINDOW.dump_json(window)),
        ),
    )


def _put_alerts(connection: sqlite3.Connection, alerts: Iterable[Alert], deliveries: Iterable[tuple[str, str]]) -> None:
    connection.executemany(
        "INSERT OR IGNORE INTO alerts (id, rebuild, window, record) VALUES (?, ?, ?, ?)",
        [(a.id, a.rebuild, a.window, _text(codec.ALERT.dump_json(a))) for a in alerts],
    )
    connection.executemany(
        "INSERT OR IGNORE INTO deliveries (alert, channel) SELECT key, ? FROM alerts WHERE id = ?",
        [(channel, alert_id) for alert_id, channel in deliveries],
    )


def _text(dumped: bytes) -> str:
    return dumped.decode()
