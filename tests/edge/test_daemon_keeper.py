"""Storing in the background: a store that is full, hung or not there holds nobody up and loses nothing."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from mendwatch.daemon import keeper as keeping
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.keeper import Keeper, fold
from mendwatch.history import History
from mendwatch.model.errors import HistoryError, HistoryHeldError
from mendwatch.model.store import Commit
from support.slow_store import SlowStore
from support.story import START, Story, array, filling


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "history.db"


@pytest.fixture
def store(path: Path) -> SlowStore:
    return SlowStore(History.open(path))


@pytest.fixture
def clock() -> SystemClock:
    return SystemClock()


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeping, "_RETRY_S", 0.1)


@pytest.fixture
def keeper(store: SlowStore, clock: SystemClock) -> Iterator[Keeper]:
    made = Keeper(lambda: store, clock)
    made.start(lambda: None)
    yield made
    store.answers.set()
    store.full = False
    assert made.close(5)


def commits() -> list[Commit]:
    """A loss, and a rebuild that begins and goes on."""
    story = Story()
    for seen in (array(1), array(0), filling(0.1), filling(0.2), filling(0.3)):
        story.see(seen)
    return [
        replace(step.commit, deliveries=tuple((alert.id, "ops") for alert in step.commit.alerts))
        for step in story.steps
    ]


def everything(path: Path) -> tuple[object, ...]:
    with History.open(path, readonly=True) as history:
        runs = history.runs()
        samples = [tuple(history.samples(run.id)) for run in runs]
        return history.states(), history.sources(), runs, samples, history.windows(), history.alerts()


def test_a_commit_is_stored_before_keep_returns(keeper: Keeper, path: Path) -> None:
    for commit in commits():
        assert keeper.keep(commit, 5)
    assert len(keeper.due("ops", 10)) == len([a for c in commits() for a in c.alerts])
    with History.open(path, readonly=True) as history:
        assert history.states() == {"zfs": commits()[-1].state}


def test_only_a_commit_with_alerts_is_waited_for(keeper: Keeper, store: SlowStore, clock: SystemClock) -> None:
    quiet, loud = commits()[0], commits()[1]
    assert (len(quiet.alerts), len(loud.alerts)) == (0, 1)
    with store.hanging():
        began = clock.ticks()
        assert not keeper.keep(quiet)
        assert clock.ticks() - began < 1
        assert not keeper.keep(loud)
        assert 9 < clock.ticks() - began < 12


@pytest.mark.parametrize("trouble", ["full", "hung"])
def test_an_outage_delays_storing_and_loses_nothing(
    keeper: Keeper, store: SlowStore, clock: SystemClock, path: Path, tmp_path: Path, trouble: str
) -> None:
    assert keeper.keep(commits()[0], 5)
    if trouble == "full":
        store.full = True
    else:
        store.answers.clear()
    began = clock.ticks()
    assert [keeper.keep(commit, 0.2) for commit in commits()[1:]] == [False] * 4
    assert clock.ticks() - began < 2
    store.full = False
    store.answers.set()
    assert keeper.keep(commits()[-1], 5)
    assert store.commits <= 4, "what waited was folded into one write a source"

    plain = tmp_path / "plain.db"
    with History.open(plain) as history:
        for commit in [*commits(), commits()[-1]]:
            history.commit(commit)
    assert everything(path) == everything(plain)


def test_a_full_disk_can_still_be_read(keeper: Keeper, store: SlowStore) -> None:
    assert keeper.keep(commits()[0], 5)
    assert keeper.keep(commits()[1], 5)
    store.full = True
    assert not keeper.keep(commits()[2], 0.2)
    assert keeper.failing
    assert len(keeper.due("ops", 10)) == 1


def test_what_was_delivered_is_not_due_again_though_it_cannot_be_marked(keeper: Keeper, store: SlowStore) -> None:
    for commit in commits()[:2]:
        assert keeper.keep(commit, 5)
    (due,) = keeper.due("ops", 10)
    store.full = True
    keeper.delivered(due.alert.id, "ops", START, "202")
    assert keeper.due("ops", 10) == ()
    store.full = False
    assert keeper.keep(commits()[2], 5)
    assert keeper.ask(lambda held: held.due("ops", 10)) == () or keeper.due("ops", 10)[0].alert.id != due.alert.id


def test_a_hung_store_refuses_a_question_in_time(keeper: Keeper, store: SlowStore, clock: SystemClock) -> None:
    assert keeper.keep(commits()[0], 5)
    with store.hanging():
        began = clock.ticks()
        with pytest.raises(HistoryError, match="did not answer"):
            keeper.ask(lambda held: held.states(), 0.2)
        assert clock.ticks() - began < 1


def test_the_end_is_not_held_up_by_a_hung_store(store: SlowStore, clock: SystemClock) -> None:
    keeper = Keeper(lambda: store, clock)
    keeper.start(lambda: None)
    assert keeper.keep(commits()[0], 5)
    with store.hanging():
        keeper.keep(commits()[1], 0.1)
        began = clock.ticks()
        assert not keeper.close(0.3)
        assert clock.ticks() - began < 1
    assert keeper.close(5)


def test_what_waits_is_stored_at_the_end(store: SlowStore, clock: SystemClock, path: Path) -> None:
    keeper = Keeper(lambda: store, clock)
    keeper.start(lambda: None)
    with store.hanging():
        for commit in commits():
            keeper.keep(commit, 0.0)
    assert keeper.close(5)
    with History.open(path, readonly=True) as history:
        assert history.states() == {"zfs": commits()[-1].state}


def test_a_history_that_cannot_be_opened_is_opened_later(path: Path, clock: SystemClock) -> None:
    path.parent.joinpath("history.db").write_bytes(b"no history at all" * 100)
    with capture_logs() as log:
        keeper = Keeper(lambda: History.open(path, exclusive=True), clock)
        keeper.start(lambda: None)
        with pytest.raises(HistoryError, match="damaged"):
            keeper.ask(lambda store: store.states())
        assert not keeper.keep(commits()[0], 0.2)
        path.unlink()
        assert keeper.keep(commits()[1], 5)
        assert keeper.close(5)
    assert len([entry for entry in log if entry["log_level"] == "error"]) == 1
    assert any("takes writes again" in entry["event"] for entry in log)
    with History.open(path, readonly=True) as history:
        assert history.states() == {"zfs": commits()[1].state}


def test_a_history_that_another_agent_holds_is_told_apart(path: Path, clock: SystemClock) -> None:
    with History.open(path, exclusive=True):
        keeper = Keeper(lambda: History.open(path, exclusive=True), clock)
        keeper.start(lambda: None)
        with pytest.raises(HistoryHeldError, match="another agent"):
            keeper.ask(lambda store: store.states())
    assert keeper.close(5)


def test_folding_keeps_all_but_the_oldest_samples_of_a_long_outage() -> None:
    earlier, later = commits()[2], commits()[3]
    both = fold(earlier, later)
    assert both.state == later.state
    assert both.samples == earlier.samples + later.samples
    assert {run.id for run in both.runs} == {run.id for run in earlier.runs + later.runs}
    long = earlier
    for minute in range(3000):
        at = START + timedelta(minutes=minute)
        long = fold(long, replace(later, samples=tuple(replace(sample, at=at) for sample in later.samples)))
    assert len(long.samples) == 2000
    assert long.samples[-1].at == START + timedelta(minutes=2999)
