"""Prints what becomes of pages: raised, delivered, lost, doubled, and how long they take.

Real SQLite files and a real HTTP server on the loopback; only the pauses between attempts are skipped.

    python tests/benchmarks/delivery.py [--pages N]
"""

from __future__ import annotations

import argparse
import logging
import random
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from statistics import quantiles

sys.path.insert(0, str(Path(__file__).parent.parent))

import structlog

from mendwatch.delivery.channels.webhook import CHANNEL
from mendwatch.delivery.outbox import PAUSES_S, Outbox
from mendwatch.history import History
from mendwatch.model.alert import Alert
from support.receivers import Answer, HandClock, HttpReceiver, alert, http_receiver, message

FAULTS = (301, 400, 401, 404, 408, 410, 425, 429, 500, 502, 503, 504)


@dataclass
class Post:
    """An outbox with one webhook, on a history of its own."""

    history: History
    receiver: HttpReceiver
    clock: HandClock = field(default_factory=HandClock)

    def __post_init__(self) -> None:
        self.outbox = self.begin()

    def begin(self) -> Outbox:
        """As after a start of the agent."""
        sender = CHANNEL.open("ops", {"url": self.receiver.url, "timeout": "5s"}, "store-1", self.clock)
        self.outbox = Outbox(self.history, {"ops": sender}, message, self.clock, random.Random(1).random)
        return self.outbox

    def raise_(self, *alerts: Alert) -> None:
        self.history.add_alerts(alerts, [(told.id, "ops") for told in alerts])

    def drain(self) -> float:
        """Send until nothing waits; the seconds that the pauses would have taken."""
        waited_s = 0.0
        while (pause_s := self.outbox.deliver_once("ops")) is not None:
            self.clock.go(pause_s)
            waited_s += pause_s
        return waited_s

    def fate(self, raised: int) -> str:
        """Raised, delivered, lost, doubled under the same id, and arrived under an id that nobody raised."""
        arrived = Counter(request.event["id"] for request in self.receiver.requests)
        known = {told.id for told in self.history.alerts()}
        doubled = sum(arrived.values()) - len(arrived)
        strange = len(set(arrived) - known)
        return f"{raised:7} {len(arrived):9} {raised - len(arrived):5} {doubled:8} {strange:9}"


@contextmanager
def post(*answers: Answer) -> Iterator[Post]:
    with (
        tempfile.TemporaryDirectory() as folder,
        http_receiver(*answers) as receiver,
        History.open(Path(folder) / "history.db", exclusive=True) as history,
    ):
        yield Post(history, receiver)


def healthy(pages: int) -> None:
    with post() as bench:
        delays_ms = []
        for number in range(pages):
            began = time.perf_counter()
            bench.raise_(alert(number))
            bench.drain()
            delays_ms.append(1000 * (time.perf_counter() - began))
        cuts = quantiles(delays_ms, n=100)
        print(f"healthy: {bench.fate(pages)}   stored to marked: p50 {cuts[49]:.1f} ms, p99 {cuts[98]:.1f} ms")


def faults() -> None:
    print(f"faults:  {len(FAULTS)} answers, each given five times before the page is taken")
    for status in FAULTS:
        with post(*[Answer(status, {"Retry-After": "90"})] * 5, Answer()) as bench:
            bench.raise_(alert(status))
            waited_s = bench.drain()
            bench.receiver.requests[:] = bench.receiver.requests[5:]
            print(f"  {status:5}: {bench.fate(1)}   after {waited_s:.0f} s")


def outage(pages: int) -> None:
    with post(Answer(503)) as bench:
        for number in range(pages):
            bench.raise_(alert(number))
        for _ in range(3 * 24 * 4):
            bench.clock.go(bench.outbox.deliver_once("ops") or PAUSES_S[-1])
        tried = len(bench.receiver.requests)
        bench.receiver.answers[:] = [Answer()]
        bench.receiver.requests.clear()
        began = time.perf_counter()
        bench.drain()
        took_s = time.perf_counter() - began
        print(f"outage:  {bench.fate(pages)}   three days with {tried} attempts, then all in {took_s:.1f} s")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--pages", type=int, default=200)
    pages = parser.parse_args().pages
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    print("          raised delivered  lost same-id other-id")
    healthy(pages)
    faults()
    outage(pages)


if __name__ == "__main__":
    main()
