"""Plays a real recording through the whole pipeline and gathers what came of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from typing import Any

from mendwatch.daemon.playback import play
from mendwatch.history import History
from mendwatch.model.alert import Alert
from mendwatch.model.capture import Capture
from mendwatch.model.policy import ArrayPolicy, HostPolicy
from mendwatch.model.records import RunRecord, Sample, WindowRecord
from mendwatch.sources import registry
from mendwatch.sources.recording import read_recording
from support.recordings import FILES

NAMES = tuple(FILES)


def minutes(limit: float, stall: float = 4) -> ArrayPolicy:
    """A policy at the scale of the recordings, in which minutes stand for hours."""
    return ArrayPolicy(window_limit_s={0: limit * 60}, stall_after_s=stall * 60)


@dataclass
class Played:
    """What came of a recording."""

    alerts: list[Alert] = field(default_factory=list)
    samples: list[Sample] = field(default_factory=list)
    runs: tuple[RunRecord, ...] = ()
    windows: tuple[WindowRecord, ...] = ()

    def kinds(self, array: str) -> list[str]:
        return [alert.kind.value for alert in self.alerts if alert.array == array and not alert.reminder]

    def rebuilds(self, array: str) -> list[RunRecord]:
        return sorted(
            (run for run in self.runs if run.array == array and run.type == "rebuild"), key=lambda run: run.started
        )


@lru_cache(maxsize=4)
def captures(name: str) -> tuple[Capture, ...]:
    lines = read_recording(FILES[name]).lines
    return tuple(line for line in lines if isinstance(line, Capture))


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


def played(name: str, policy: ArrayPolicy, history: History | None = None, polls: slice = slice(None)) -> Played:
    """Play a recording, or some of its polls, into a history (a fresh one in memory without one)."""
    found = Played()
    with History.open(":memory:") if history is None else nullcontext(history) as store:
        for step in _steps(name, policy, store, polls):
            found.alerts += step.commit.alerts
            found.samples += step.commit.samples
        found.runs, found.windows = store.runs(), store.windows()
    return found


def _steps(name: str, policy: ArrayPolicy, store: History, polls: slice) -> Iterator[Any]:
    host = HostPolicy("store-1", default=policy)
    return play(captures(name)[polls], registry.load().parsers, host, store)
