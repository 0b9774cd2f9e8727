"""The outbox, against a real history in memory: nothing lost, nothing twice, each channel at its own pace."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from mendwatch.delivery.outbox import (
    LONGEST_RETRY_AFTER_S,
    PAUSES_S,
    REFUSED_NOTICE_S,
    REFUSED_PAUSE_S,
    Outbox,
)
from mendwatch.history import History
from mendwatch.model.alert import Alert, Level, Message
from mendwatch.model.errors import DeliveryError
from support.outbox_bench import Bench, Receiver
from support.receivers import START, alert, message

REFUSED = DeliveryError("no such hook (404 Not Found)", again=False)


def test_what_is_stored_is_sent_in_order_once(bench: Bench) -> None:
    ids = bench.raise_(*(alert(number) for number in range(1, 51)))
    bench.run(10)
    assert bench.ops.tried == ids
    assert bench.history.due("ops", 100) == ()
    (record,) = bench.history.deliveries(ids[0])
    assert (record.attempts, record.detail, record.delivered) == (1, "taken", START)


def test_one_channel_does_not_wait_for_another(bench: Bench) -> None:
    ids = bench.raise_(alert(1), alert(2), channels=("ops", "mail"))
    bench.ops.down()
    bench.outbox.deliver_once("ops")
    bench.outbox.deliver_once("mail")
    assert (bench.ops.got, bench.mail.got) == ([], ids)


def test_the_pauses_grow_to_a_quarter_of_an_hour(bench: Bench) -> None:
    bench.raise_(alert(1))
    bench.ops.down()
    pauses = []
    for _ in range(len(PAUSES_S) + 2):
        pause_s = bench.outbox.deliver_once("ops")
        assert pause_s is not None
        pauses.append(pause_s)
        assert bench.outbox.deliver_once("ops") == pause_s, "too early: nothing is tried"
        bench.clock.go(pause_s)
    assert pauses == pytest.approx([*PAUSES_S, PAUSES_S[-1], PAUSES_S[-1]])
    assert len(bench.ops.tried) == len(pauses)


@given(chance=st.floats(min_value=0, max_value=1, exclude_max=True))
def test_the_pauses_are_spread_by_a_fifth(chance: float) -> None:
    with capture_logs(), History.open(":memory:") as history:
        bench = Bench(history)
        bench.raise_(alert(1))
        bench.ops.down()
        pause_s = Outbox(history, {"ops": bench.ops}, message, bench.clock, lambda: chance).deliver_once("ops")
    assert pause_s is not None
    assert 4.0 <= pause_s <= 6.0


@pytest.mark.parametrize(
    ("asked_s", "pause_s"), [(120.0, 120.0), (1.0, PAUSES_S[0]), (86400.0 * 365, LONGEST_RETRY_AFTER_S)]
)
def test_a_receiver_may_ask_for_a_longer_pause(bench: Bench, asked_s: float, pause_s: float) -> None:
    bench.raise_(alert(1))
    bench.ops.verdict = lambda _alert: DeliveryError("busy", again=True, retry_after_s=asked_s)
    assert bench.outbox.deliver_once("ops") == pytest.approx(pause_s)


def test_three_days_down_then_back_loses_nothing_and_keeps_the_order(bench: Bench) -> None:
    early = bench.raise_(*(alert(number) for number in range(1, 4)))
    bench.ops.down()
    bench.run(86400)
    late = bench.raise_(*(alert(number, Level.NOTICE) for number in range(4, 60)))
    bench.run(2 * 86400)
    bench.ops.up()
    bench.run(PAUSES_S[-1] * 1.2)
    assert bench.ops.got == early + late


@pytest.mark.parametrize("hours", [-12, 12, 24 * 365])
def test_a_wall_clock_that_is_set_delays_nothing(bench: Bench, hours: int) -> None:
    bench.raise_(alert(1))
    bench.ops.down()
    bench.outbox.deliver_once("ops")
    bench.clock.wall += timedelta(hours=hours)
    bench.ops.up()
    bench.clock.go(PAUSES_S[0])
    assert bench.outbox.deliver_once("ops") is None
    assert len(bench.ops.got) == 1


def test_after_a_restart_everything_is_due_at_once(bench: Bench) -> None:
    ids = bench.raise_(alert(1), alert(2))
    bench.ops.down()
    bench.run(7200)
    bench.ops.up()
    bench.begin().deliver_once("ops")
    assert bench.ops.got == ids


def test_new_settings_are_tried_at_once(bench: Bench) -> None:
    bench.raise_(alert(1))
    bench.ops.down()
    bench.run(7200)
    repaired = Receiver()
    bench.outbox.use({"ops": repaired})
    bench.outbox.deliver_once("ops")
    assert len(repaired.got) == 1
    assert bench.outbox.deliver_once("mail") is None, "it is gone"


def test_one_alert_that_is_refused_does_not_block_the_others(bench: Bench) -> None:
    bad, *good = bench.raise_(*(alert(number) for number in range(1, 30)))
    bench.ops.verdict = lambda told: REFUSED if told.id == bad else None
    bench.run(60)
    assert bench.ops.got == good
    assert bench.ops.tried.count(bad) == 1
    bench.run(REFUSED_PAUSE_S * 3)
    assert bench.ops.tried.count(bad) == 4
    bench.ops.up()
    bench.run(REFUSED_PAUSE_S)
    assert bench.ops.got == [*good, bad]


def test_a_channel_that_refuses_all_is_not_hammered(bench: Bench) -> None:
    bench.raise_(*(alert(number) for number in range(1, 200)))
    bench.ops.verdict = lambda _alert: REFUSED
    bench.run(86400)
    assert len(bench.ops.tried) <= 86400 / PAUSES_S[-1] + len(PAUSES_S)
    assert len(set(bench.ops.tried)) > 80, "not the same one again and again"


def test_a_refused_notice_is_given_up_after_three_days_and_a_page_never(bench: Bench) -> None:
    page, notice = bench.raise_(alert(1), alert(2, Level.NOTICE))
    bench.ops.verdict = lambda _alert: REFUSED
    bench.run(REFUSED_NOTICE_S - 3600)
    assert [due.alert.id for due in bench.history.due("ops", 9)] == [page, notice]
    bench.run(2 * 3600)
    assert [due.alert.id for due in bench.history.due("ops", 9)] == [page]
    (record,) = bench.history.deliveries(notice)
    assert record.given_up is not None
    assert record.detail == str(REFUSED)
    bench.ops.up()
    bench.run(2 * REFUSED_PAUSE_S)
    assert bench.ops.got == [page]


def test_a_fault_in_a_channel_is_a_failure_like_any_other(bench: Bench) -> None:
    bench.raise_(alert(1))

    def broken(_alert: Alert) -> DeliveryError | None:
        raise ZeroDivisionError

    bench.ops.verdict = broken
    with capture_logs() as logs:
        assert bench.outbox.deliver_once("ops") == pytest.approx(PAUSES_S[0])
    assert any(line.get("exc_info") for line in logs)
    bench.ops.up()
    bench.run(10)
    assert len(bench.ops.got) == 1


def test_a_page_that_cannot_be_worded_goes_out_in_plain_words(bench: Bench) -> None:
    told: list[Message] = []

    class Keeps:
        def send(self, sent: Message) -> str:
            told.append(sent)
            return "taken"

    def broken(_alert: Alert) -> Message:
        raise KeyError

    bench.raise_(replace(alert(1), array="va\x1b[0mult"))
    Outbox(bench.history, {"ops": Keeps()}, broken, bench.clock, lambda: 0.5).deliver_once("ops")
    assert told[0].title == r"store-1 va\x1b[0mult: redundancy-reduced"


# That a channel fails.


def test_a_channel_is_failing_after_a_quarter_of_an_hour_and_until_one_success(bench: Bench) -> None:
    bench.raise_(alert(1))
    bench.ops.down()
    bench.run(890)
    assert bench.outbox.failing() == ()
    bench.run(20)
    (failing,) = bench.outbox.failing()
    assert (failing.channel, failing.since, failing.error) == ("ops", START, "refused")
    assert failing.attempts == len(bench.ops.tried)
    bench.ops.up()
    bench.run(PAUSES_S[-1])
    assert bench.outbox.failing() == ()


def test_it_is_the_same_failure_after_a_restart(bench: Bench) -> None:
    bench.raise_(alert(1))
    bench.ops.down()
    bench.run(3600)
    before = bench.outbox.failing()[0].since
    bench.begin().deliver_once("ops")
    assert [failing.since for failing in bench.outbox.failing()] == [before]


def test_a_quiet_channel_is_not_failing(bench: Bench) -> None:
    bench.run(86400)
    assert bench.outbox.failing() == ()


@settings(max_examples=60, deadline=None)
@given(
    steps=st.lists(
        st.sampled_from(["raise", "memory", "deliver", "down", "up", "blind", "sees", "restart", "pass", "settle"]),
        max_size=60,
    )
)
def test_whatever_happens_each_alert_arrives_exactly_once(steps: list[str]) -> None:
    """Short of a crash between sending and marking: that is the one case in which an id may come twice."""
    with capture_logs(), History.open(":memory:") as history:
        bench = Bench(history)
        raised: list[str] = []
        unstored: list[Alert] = []

        def store_late() -> None:
            bench.raise_(*unstored)
            unstored.clear()
            bench.outbox.settle()

        for step in steps:
            match step:
                case "raise":
                    raised += bench.raise_(alert(len(raised) + 1))
                case "memory":
                    told = alert(len(raised) + 1)
                    raised.append(told.id)
                    unstored.append(told)
                    bench.outbox.send_now((told,), ((told.id, "ops"),))
                case "deliver":
                    bench.outbox.deliver_once("ops")
                case "down":
                    bench.ops.down()
                case "up":
                    bench.ops.up()
                case "blind":
                    bench.store.reads = bench.store.writes = False
                case "sees" | "settle" | "restart":
                    bench.store.reads = bench.store.writes = True
                    bench.outbox.deliver_once("ops")
                    store_late()
                    if step == "restart":
                        bench.begin()
                case _:
                    bench.clock.go(400)
        bench.ops.up()
        bench.store.reads = bench.store.writes = True
        bench.outbox.settle()
        store_late()
        bench.run(3600)
        assert sorted(bench.ops.got) == sorted(raised)
