"""The forecast held against real rebuilds, whose true ends and changes are known."""

from __future__ import annotations

from datetime import datetime

import pytest

from mendwatch.forecaster import begin, forecast, update
from support.rebuild_samples import moment, recorded, steps
from support.recordings import truth


def ends(name: str) -> list[tuple[datetime, float | None, float, float | None]]:
    """For each poll: when, and the seconds left as p10, p50, p90."""
    state, found = begin(), []
    for step in steps(recorded(name), truth(name)["array"]):
        state = update(state, step.sample)
        finish = forecast(state, step.sample, None).finish
        if finish is not None and finish.p50 is not None:
            left = [None if end is None else (end - step.sample.at).total_seconds() for end in (finish.p10, finish.p90)]
            found.append((step.sample.at, left[0], (finish.p50 - step.sample.at).total_seconds(), left[1]))
    return found


@pytest.mark.parametrize("name", ["md-6.12-healthy-A", "zfs-2.3-healthy-A"])
def test_a_healthy_rebuild_ends_within_the_range(name: str) -> None:
    ended = moment(truth(name)["rebuild_ended"])
    held = [
        (early or 0.0) <= (ended - at).total_seconds() <= (late or 1e9)
        for at, early, _, late in ends(name)
        if (ended - at).total_seconds() > 60
    ]
    # From p10 to p90 are eight in ten; the polls of one rebuild are nearly one case.
    assert sum(held) / len(held) > 0.7


@pytest.mark.parametrize(
    ("name", "within_s"), [("md-6.12-collapse-A", 60), ("zfs-2.3-collapse-A", 90), ("zfs-2.3-slow-source-A", 90)]
)
def test_a_collapse_moves_the_middle_soon(name: str, within_s: float) -> None:
    began = moment(truth(name)["cause_began"])
    before = [middle for at, _, middle, _ in ends(name) if at <= began][-1]
    after = [(at - began).total_seconds() for at, _, middle, _ in ends(name) if at > began and middle > 2.5 * before]
    assert after[0] <= within_s


def test_bursts_do_not_hide_the_collapse_from_then_on() -> None:
    # The limit was lifted 19 s before the end, so the truth while it lasted was a little later than the real end.
    ended = moment(truth("md-6.12-collapse-A")["rebuild_ended"])
    began = moment(truth("md-6.12-collapse-A")["cause_began"])
    ratios = [
        middle / (ended - at).total_seconds()
        for at, _, middle, _ in ends("md-6.12-collapse-A")
        if (at - began).total_seconds() > 120 and (ended - at).total_seconds() > 300
    ]
    assert min(ratios) > 0.7
    assert max(ratios) < 1.4


def test_a_lifted_limit_is_believed_after_a_while() -> None:
    known = truth("md-6.12-throttled-setting-A")
    lifted, ended = moment(known["cause_ended"]), moment(known["rebuild_ended"])
    late = [
        middle / (ended - at).total_seconds()
        for at, _, middle, _ in ends("md-6.12-throttled-setting-A")
        if (at - lifted).total_seconds() > 80 and (ended - at).total_seconds() > 30
    ]
    assert max(late) < 1.3
