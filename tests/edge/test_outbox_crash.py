"""The agent is killed at every point between a poll and its delivery: nothing is lost, nothing comes under another id.

The same id may come twice where the agent dies after a delivery and before it could note it; a receiver knows by the
id (CloudEvents: source and id are unique; Standard Webhooks: the id stays the same over retries).
"""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
from collections import Counter
from pathlib import Path

from mendwatch.history import History
from support.receivers import alert, http_receiver

POLLS = 3

AGENT = """
    import os, signal, sys, warnings
    from pathlib import Path
    from mendwatch.delivery.channels.webhook import CHANNEL
    from mendwatch.delivery.outbox import Outbox
    from mendwatch.history import History
    from mendwatch.model.records import SourceRecord
    from mendwatch.model.store import Commit
    from support.receivers import START, HandClock, alert, message

    url, folder, polls = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])


    class Dies:
        def __init__(self, at):
            self.left = at

        def step(self):
            self.left -= 1
            if self.left == 0:
                os.kill(os.getpid(), signal.SIGKILL)

        def around(self, call):
            def walked(*args, **options):
                self.step()
                answer = call(*args, **options)
                self.step()
                return answer

            return walked


    class Walked:
        pass


    def live(path, dies):
        # An agent's life: poll, store, send; what was stored before is sent first.
        with History.open(path, exclusive=True) as history:
            store = Walked()
            for name in ("due", "delivered", "failed"):
                setattr(store, name, dies.around(getattr(history, name)))
            sender = CHANNEL.open("ops", {"url": url, "timeout": "5s"}, "store-1", HandClock())
            sender.send = dies.around(sender.send)
            outbox = Outbox(store, {"ops": sender}, message, HandClock(), lambda: 0.5)
            outbox.deliver_once("ops")
            commit = dies.around(history.commit)
            for number in range(int(history.states().get("zfs", "0")) + 1, polls + 1):
                told = (alert(2 * number), alert(2 * number + 1))
                source = SourceRecord("zfs", START, START, None, 0, ())
                commit(Commit(source, str(number), alerts=told, deliveries=tuple((one.id, "ops") for one in told)))
                outbox.deliver_once("ops")


    def child(path, at):
        warnings.simplefilter("ignore")
        number = os.fork()
        if number == 0:
            live(path, Dies(at))
            os._exit(0)
        return os.waitstatus_to_exitcode(os.waitpid(number, 0)[1])


    at, ended = 0, None
    while ended != 0:
        at += 1
        path = folder / str(at) / "history.db"
        ended = child(path, at)
        assert ended in (0, -signal.SIGKILL), ended
        assert child(path, -1) == 0
    print(at)
"""


def test_killed_at_every_step(tmp_path: Path) -> None:
    with http_receiver() as receiver:
        agent = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(AGENT), receiver.url, str(tmp_path), str(POLLS)],
            check=False,
            capture_output=True,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)},
        )
        assert agent.returncode == 0, agent.stderr
        rounds = int(agent.stdout.splitlines()[-1])
        raised = [alert(number).id for number in range(2, 2 * POLLS + 2)]
        for at in range(1, rounds + 1):
            with History.open(tmp_path / str(at) / "history.db", readonly=True) as history:
                assert [told.id for told in history.alerts()] == raised, f"killed at step {at}"
                assert history.due("ops", 99) == (), f"killed at step {at}"
        arrived = Counter(request.event["id"] for request in receiver.requests)
        assert set(arrived) == set(raised)
        twice = sum(arrived.values()) - rounds * len(raised)
    steps_a_delivery = 2 * 2  # send and mark, before and after each
    assert rounds > POLLS * (2 * steps_a_delivery + 4)
    # Two of the steps of each delivery lie between the arrival and the mark: after sending, and before marking.
    assert twice == 2 * len(raised)
