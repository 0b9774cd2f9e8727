"""The outbox while the store does not take the write: alerts go out from memory, and each only once."""

from __future__ import annotations

from mendwatch.delivery.outbox import PAUSES_S
from support.outbox_bench import Bench
from support.receivers import alert


def test_an_alert_goes_out_from_memory_and_not_again_when_it_is_stored(bench: Bench) -> None:
    bench.store.reads = bench.store.writes = False
    one, two = alert(1), alert(2)
    bench.outbox.send_now((one, two), ((one.id, "ops"), (two.id, "ops"), (two.id, "nowhere")))
    bench.outbox.deliver_once("ops")
    assert bench.ops.got == [one.id, two.id]
    bench.raise_(one, two, alert(3))
    bench.store.reads = bench.store.writes = True
    bench.outbox.settle()
    assert [due.alert.id for due in bench.history.due("ops", 9)] == [alert(3).id]
    bench.run(3600)
    assert bench.ops.tried == [one.id, two.id, alert(3).id]
    assert bench.history.deliveries(one.id)[0].detail == "taken"


def test_it_is_not_sent_again_either_if_nobody_settles(bench: Bench) -> None:
    bench.outbox.send_now((alert(1),), ((alert(1).id, "ops"),))
    bench.outbox.deliver_once("ops")
    bench.raise_(alert(1))
    bench.run(3600)
    assert bench.ops.tried == [alert(1).id]
    assert bench.history.due("ops", 9) == ()


def test_an_alert_that_was_stored_late_and_sent_meanwhile_is_not_sent_from_memory(bench: Bench) -> None:
    bench.raise_(alert(1))
    bench.outbox.deliver_once("ops")
    bench.outbox.send_now((alert(1),), ((alert(1).id, "ops"),))
    bench.run(3600)
    assert bench.ops.tried == [alert(1).id]


def test_an_alert_in_memory_is_tried_again_like_any_other(bench: Bench) -> None:
    bench.store.reads = False
    bench.ops.down()
    bench.outbox.send_now((alert(1),), ((alert(1).id, "ops"),))
    bench.run(3600)
    bench.ops.up()
    bench.run(PAUSES_S[-1])
    assert bench.ops.got == [alert(1).id]


def test_what_was_sent_but_could_not_be_marked_is_not_sent_again(bench: Bench) -> None:
    bench.raise_(alert(1))
    bench.store.writes = False
    bench.outbox.deliver_once("ops")
    bench.run(3600)
    bench.store.writes = True
    bench.run(60)
    assert bench.ops.tried == [alert(1).id]
    assert bench.history.due("ops", 9) == ()


def test_the_stored_go_before_those_in_memory(bench: Bench) -> None:
    bench.raise_(alert(1))
    bench.outbox.send_now((alert(2),), ((alert(2).id, "ops"),))
    bench.outbox.deliver_once("ops")
    assert bench.ops.got == [alert(1).id, alert(2).id]
