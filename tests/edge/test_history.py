"""The history in a real SQLite file: what goes in comes out, in one transaction, in the right order."""

from __future__ import annotations

import sqlite3
import stat
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendwatch.history import History, schema
from mendwatch.model.alert import Alert, AlertKind, Level
from mendwatch.model.errors import HistoryError, UsageError
from mendwatch.model.records import (
    Cause,
    Finding,
    Forecast,
    Hours,
    MemberSample,
    Outcome,
    Quantiles,
    RunRecord,
    Sample,
    SourceRecord,
    WindowRecord,
)
from mendwatch.model.store import Commit
from support.receivers import START, alert

END = Quantiles(START + timedelta(hours=30, microseconds=7), None, START + timedelta(days=9))
CAUSE = Finding(Cause.SHINGLED_WRITER, "dsk-b07", 0.9, "writes 4.1 MB/s, its peers read 160 MB/s")
RUN = RunRecord(
    "rebuild", "r-1", None, "vault", "guid-1", "zfs", "rebuild", "resilver", START, None, Outcome.RUNNING, None,
    ("b07",), first_finish=END, first_finish_at=START, causes=(CAUSE,), window="w-1",
)  # fmt: skip
WINDOW = WindowRecord("w-1", "vault", "guid-1", "zfs", START, False, None, 0.5, ("r-1",), 1, None)
SOURCE = SourceRecord("zfs", START, START, None, 0, ("vault",))
SAMPLE = Sample(
    "r-1", START, 30.25, 30.0, 0.1234, 123, None, START + timedelta(hours=3), None, True, False,
    counters={"scanned": 5, "issued": 2**70},
    members=(MemberSample("dsk-b07", None, filling=True), MemberSample("dsk-a01", "sda", 1e6, 2e6, 3.25, 4.5, 0.125)),
    forecast=Forecast(1234.5, 1e-9, END, 3600.0), window_hours=Hours(1.5, None, 9.25), causes=(CAUSE,),
)  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "history.db"


@pytest.fixture
def history(path: Path) -> Iterator[History]:
    with History.open(path) as opened:
        yield opened


def poll(**changed: Any) -> Commit:
    return replace(Commit(SOURCE, "{}", runs=(RUN,), windows=(WINDOW,)), **changed)


def test_all_of_a_poll_comes_back_as_it_was(history: History) -> None:
    told = alert(1, causes=(CAUSE,), finish=END, limit_hours=24.0, rebuild="r-1", window="w-1", facts={"to": 0})
    history.commit(poll(state='{"a": 1}', samples=(SAMPLE,), alerts=(told,), deliveries=((told.id, "ops"),)))
    assert history.states() == {"zfs": '{"a": 1}'}
    assert history.sources() == (SOURCE,)
    assert history.runs() == (RUN,)
    assert history.windows() == (WINDOW,)
    assert list(history.samples("r-1")) == [SAMPLE]
    assert list(history.samples("r-1"))[-1] == SAMPLE
    assert history.alerts() == (told,)
    assert [due.alert for due in history.due("ops", 5)] == [told]
    assert history.deliveries(told.id)[0].last_attempt is None


def test_it_is_all_there_after_it_was_closed(path: Path) -> None:
    with History.open(path) as history:
        history.commit(poll(samples=(SAMPLE,)))
    for readonly in (False, True):
        with History.open(path, readonly=readonly) as history:
            assert (history.runs(), list(history.samples("r-1"))) == ((RUN,), [SAMPLE])


def test_a_later_poll_replaces_records_and_adds_samples(history: History) -> None:
    history.commit(poll(samples=(SAMPLE,)))
    ended = replace(RUN, ended=START + timedelta(days=1), outcome=Outcome.FINISHED)
    later = replace(SAMPLE, elapsed_s=60.0, at=START + timedelta(seconds=30))
    history.commit(poll(state="{2}", runs=(ended,), windows=(replace(WINDOW, hours=24.0),), samples=(later,)))
    assert history.runs() == (ended,)
    assert [window.hours for window in history.windows()] == [24.0]
    assert list(history.samples("r-1")) == [SAMPLE, later]


def test_the_same_poll_again_changes_nothing(history: History) -> None:
    told = alert(1)
    commit = poll(samples=(SAMPLE,), alerts=(told,), deliveries=((told.id, "ops"),))
    history.commit(commit)
    history.delivered(told.id, "ops", START, "204 No Content")
    history.commit(commit)
    history.add_alerts((replace(told, array="other"),), ((told.id, "ops"),))
    assert list(history.samples("r-1")) == [SAMPLE]
    assert history.alerts() == (told,)
    assert history.due("ops", 5) == ()


def test_samples_stand_in_steady_order_where_the_wall_clock_was_set_back(history: History) -> None:
    early = replace(SAMPLE, elapsed_s=30.0, at=START)
    late = replace(SAMPLE, elapsed_s=60.0, at=START - timedelta(hours=3))
    history.commit(poll(samples=(early, late)))
    assert list(history.samples("r-1")) == [early, late]
    assert list(history.samples("r-1"))[-1] == late


def test_more_samples_than_are_read_at_once_and_a_poll_in_between(history: History) -> None:
    many = [replace(SAMPLE, elapsed_s=float(n // 3), at=START + timedelta(seconds=n)) for n in range(1234)]
    history.commit(poll(samples=tuple(many)))
    reading = history.samples("r-1")
    first = [next(reading) for _ in range(700)]
    history.commit(poll())
    assert first + list(reading) == many


def test_a_sample_without_its_run_is_a_fault_that_is_told(history: History) -> None:
    with pytest.raises(HistoryError, match="NOT NULL"):
        history.commit(poll(samples=(replace(SAMPLE, run="unknown"),), state="new"))
    assert history.states() == {}, "nothing of that poll is kept"


def test_runs_are_found_by_array_and_type(history: History) -> None:
    scrub = replace(RUN, id="p-1", type="pass", started=START - timedelta(days=1))
    other = replace(RUN, id="r-2", array="attic", array_id="guid-2", started=START + timedelta(days=1))
    history.commit(poll(runs=(RUN, other, scrub)))
    assert [run.id for run in history.runs()] == ["p-1", "r-1", "r-2"]
    assert [run.id for run in history.runs(type="rebuild")] == ["r-1", "r-2"]
    assert [run.id for run in history.runs("vault")] == ["p-1", "r-1"]
    assert [run.id for run in history.runs("guid-2", "rebuild")] == ["r-2"]
    assert [window.id for window in history.windows("attic")] == []


def test_an_id_may_be_given_short(history: History) -> None:
    history.commit(poll(runs=(replace(RUN, id="abc"), replace(RUN, id="abcd"), replace(RUN, id="%"))))
    assert history.run("abcd").id == "abcd"
    assert history.run("abc").id == "abc", "a whole id is never unclear"
    assert history.window("w").id == "w-1"
    with pytest.raises(UsageError, match="more than one id begins with 'ab'"):
        history.run("ab")
    for unknown in ("x", "", "_", "w-1"):
        with pytest.raises(UsageError, match="holds nothing with the id"):
            history.run(unknown)


def test_alerts_of_one_rebuild_or_window(history: History) -> None:
    alerts = (alert(1, rebuild="r-1"), alert(2, window="w-2"), alert(3, rebuild="r-1", window="w-2"))
    history.add_alerts(alerts, ())
    assert history.alerts() == alerts
    assert history.alerts(rebuild="r-1") == (alerts[0], alerts[2])
    assert history.alerts(window="w-2") == (alerts[1], alerts[2])


def test_a_failed_attempt_is_counted_until_one_succeeds(history: History) -> None:
    told = alert(1)
    history.add_alerts((told,), ((told.id, "ops"), (told.id, "mail")))
    later = START + timedelta(minutes=1)
    history.failed(told.id, "ops", START, "refused", final=False)
    history.failed(told.id, "ops", later, "reset", final=False)
    (due,) = history.due("ops", 5)
    assert (due.attempts, due.last_error, due.first_failed) == (2, "reset", START)
    history.delivered(told.id, "ops", later, "204 No Content")
    history.failed(told.id, "ops", later, "too late to matter", final=True)
    history.failed(told.id, "mail", START, "550 no", final=True)
    mail, ops = history.deliveries(told.id)
    assert (ops.attempts, ops.delivered, ops.given_up, ops.detail) == (3, later, None, "204 No Content")
    assert (mail.delivered, mail.given_up, mail.detail) == (None, START, "550 no")
    assert history.due("mail", 5) == ()


text = st.text(st.characters(exclude_categories=["Cs"]))
json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**60), 2**60) | st.floats(allow_nan=False, allow_infinity=False) | text,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(text, inner, max_size=3),
    max_leaves=8,
)
times = st.datetimes(timezones=st.just(START.tzinfo))
quantiles = st.builds(Quantiles, *[st.none() | times] * 3)
findings = st.builds(Finding, st.sampled_from(Cause), st.none() | text, st.floats(0, 1), text)
alerts_ = st.builds(
    Alert,
    id=text, at=times, kind=st.sampled_from(AlertKind), level=st.sampled_from(Level), condition=text,
    reminder=st.integers(0, 99), host=text, system=text, array=text, array_id=text, rebuild=st.none() | text,
    window=st.none() | text, redundancy_left=st.none() | st.integers(-9, 9),
    redundancy_full=st.none() | st.integers(0, 9),
    finish=st.none() | quantiles, limit_hours=st.none() | st.floats(0, 1e6), causes=st.tuples(findings),
    facts=st.dictionaries(text, json_values, max_size=4),
)  # fmt: skip


@given(told=alerts_)
def test_any_alert_comes_back_exactly(told: Alert) -> None:
    with History.open(":memory:") as history:
        history.add_alerts((told,), ())
        assert history.alerts() == (told,)
        assert repr(history.alerts()[0].facts) == repr(told.facts), "1 stays 1 and 1.0 stays 1.0"


def test_ten_thousand_waiting_alerts_are_read_a_few_at_a_time(history: History, path: Path) -> None:
    alerts = [alert(number) for number in range(10_000)]
    history.add_alerts(alerts, [(told.id, "ops") for told in alerts])
    assert [due.alert.id for due in history.due("ops", 3)] == [told.id for told in alerts[:3]]
    outside = sqlite3.connect(path)
    (plan,) = outside.execute(
        "EXPLAIN QUERY PLAN SELECT alert FROM deliveries"
        " WHERE channel = 'ops' AND delivered IS NULL AND given_up IS NULL ORDER BY alert LIMIT 3"
    )
    outside.close()
    assert "USING INDEX waiting" in plan[3], "no sorting of all that waits"


def test_nine_days_of_samples_stay_small(path: Path) -> None:
    """26,000 polls, one each 30 s, without the drives' figures: under 300 bytes each."""
    many = 2600
    with History.open(path) as history:
        for number in range(many):
            sample = replace(
                SAMPLE, elapsed_s=30.0 * number + 0.123, at=START + timedelta(seconds=30 * number), done=number / many,
                counters={"scanned": 10**12 + number, "issued": 10**12 + number}, members=(), causes=(),
                forecast=Forecast(123456789.1234, 1.234567e-7, Quantiles(START, START, START), 3600.5),
                window_hours=Hours(1.23456789, 2.3456789, 3.456789),
            )  # fmt: skip
            history.commit(poll(samples=(sample,)))
    assert path.stat().st_size / many < 320


def test_the_file_is_for_this_user_only(history: History, path: Path) -> None:
    history.commit(poll())
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    for file in path.parent.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file


def test_every_write_is_on_the_disk_before_it_is_answered(history: History, path: Path) -> None:
    """SQLite's documentation: in WAL mode only synchronous=FULL survives a loss of power (pragma.html)."""
    connection = history._connection
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
    outside = sqlite3.connect(path)
    assert outside.execute("PRAGMA application_id").fetchone() == (schema.APPLICATION_ID,)
    outside.close()


def test_a_step_of_the_schema_that_fails_leaves_the_one_before() -> None:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    broken = (*schema.MIGRATIONS, ("CREATE TABLE half (x)", "CREATE TABLE half (x)"))
    with pytest.raises(sqlite3.OperationalError, match="already exists"):
        schema.migrate(connection, broken)
    assert connection.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
    assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'half'").fetchone() == (0,)
    mended = (*schema.MIGRATIONS, ("CREATE TABLE half (x)",))
    schema.migrate(connection, mended)
    schema.migrate(connection, mended)
    assert connection.execute("PRAGMA user_version").fetchone() == (len(mended),)
    connection.close()


def test_a_name_with_odd_characters_is_a_file_like_any_other(tmp_path: Path) -> None:
    path = tmp_path / "büro #1?mode=ro&x=%41" / "history.db"
    with History.open(path) as history:
        history.commit(poll())
    assert list(path.parent.iterdir()) == [path]
