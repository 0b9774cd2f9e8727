"""The agent stopped and started again after any poll says and remembers the same as one that never stopped."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendwatch.history import History
from support.playing import NAMES, Played, captures, minutes, played

POLICY = minutes(8, stall=1.5)
SHORT = [
    "md-6.12-raid5-recovery-frozen-then-idle",
    "zfs-2.3-raidz1-resilver-stalled-deferred-restarted",
    "btrfs-6.18-raid1-replace-cancelled-then-removed-missing",
]


def said(found: Played) -> list[tuple[object, ...]]:
    return [(alert.id, alert.at, alert.kind, alert.facts, alert.finish) for alert in found.alerts]


@pytest.mark.parametrize("name", NAMES)
def test_a_restart_after_every_poll_changes_nothing(name: str) -> None:
    whole = played(name, POLICY)
    pieces = Played()
    with History.open(":memory:") as store:
        for number in range(len(captures(name))):
            # A new player each time: all that it knows is what the history holds.
            part = played(name, POLICY, store, slice(number, number + 1))
            pieces.alerts += part.alerts
            pieces.runs, pieces.windows = part.runs, part.windows
    assert said(pieces) == said(whole)
    assert pieces.runs == whole.runs
    assert pieces.windows == whole.windows


@pytest.mark.parametrize("name", SHORT)
def test_a_history_on_disk_goes_on_where_it_ended(name: str, tmp_path: Path) -> None:
    whole = played(name, POLICY)
    polls = len(captures(name))
    found = Played()
    for end in (polls // 5, polls // 2, polls // 2 + 1, polls):
        # From the beginning each time: what the history holds already is skipped.
        with History.open(tmp_path / "history.db") as store:
            part = played(name, POLICY, store, slice(0, end))
        found.alerts += part.alerts
        found.runs, found.windows = part.runs, part.windows
    assert said(found) == said(whole)
    assert found.runs == whole.runs
    assert found.windows == whole.windows
