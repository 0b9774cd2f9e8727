"""Real rebuilds through the whole pipeline, held against what is known to have happened."""

from __future__ import annotations

from datetime import timedelta

import pytest

from mendwatch.model.alert import AlertKind, Level
from mendwatch.model.records import Outcome
from mendwatch.reports.messages import render
from support.playing import NAMES, at, minutes, played
from support.recordings import truth

WITH_COUNTERS = [name for name in NAMES if name.endswith("-A")]


@pytest.mark.parametrize("name", WITH_COUNTERS)
def test_the_rebuild_is_followed_from_its_start_to_its_end(name: str) -> None:
    known = truth(name)
    found = played(name, minutes(60))
    (run,) = found.rebuilds(known["array"])
    (window,) = (window for window in found.windows if window.array == known["array"])
    assert run.outcome is Outcome.FINISHED
    assert run.ended is not None
    assert abs(run.started - at(known["rebuild_began"])) < timedelta(seconds=15)
    assert abs(run.ended - at(known["rebuild_ended"])) < timedelta(seconds=15)
    assert window.opened_known
    assert window.closed is not None
    assert window.rebuilds == (run.id,)
    kinds = found.kinds(known["array"])
    assert kinds[:2] == ["redundancy-reduced", "rebuild-underway"]
    assert "window-over-policy" not in kinds
    assert "rebuild-stalled" not in kinds


@pytest.mark.parametrize("name", [name for name in WITH_COUNTERS if "healthy" in name])
def test_a_healthy_rebuild_wakes_nobody_about_the_policy(name: str) -> None:
    found = played(name, minutes(15))
    assert not [alert for alert in found.alerts if alert.kind is AlertKind.WINDOW_OVER_POLICY]
    assert not [sample for sample in found.samples if sample.causes]


@pytest.mark.parametrize("name", ["md-6.12-collapse-A", "zfs-2.3-collapse-A"])
def test_a_collapse_pages_before_the_limit_is_broken_and_names_the_drive(name: str) -> None:
    known = truth(name)
    found = played(name, minutes(12))
    pages = [alert for alert in found.alerts if alert.kind is AlertKind.WINDOW_OVER_POLICY]
    assert pages[0].level is Level.PAGE
    assert pages[0].facts["reason"] == "projected"
    assert at(known["cause_began"]) < pages[0].at < at(known["cause_began"]) + timedelta(minutes=4)
    causes = {(finding.cause.value, finding.member) for sample in found.samples for finding in sample.causes}
    assert causes == {("shingled-writer", known["cause_member"])}


def test_a_frozen_recovery_stalls_once_and_moves_again() -> None:
    found = played("md-6.12-raid5-recovery-frozen-then-idle", minutes(60, stall=1.5))
    kinds = found.kinds("md0")
    assert kinds.count("rebuild-stalled") == 1
    assert kinds.count("rebuild-moving") == 1
    (stalled,) = (a for a in found.alerts if a.kind is AlertKind.REBUILD_STALLED and a.array == "md0")
    assert stalled.level is Level.PAGE
    assert "frozen" in str(stalled.facts["why_held"])


def test_a_resilver_that_begins_again_names_the_one_before() -> None:
    name = "zfs-2.3-raidz1-resilver-stalled-deferred-restarted"
    first, second = played(name, minutes(60)).rebuilds("tank")
    assert first.outcome is Outcome.RESTARTED
    assert second.after == first.id
    assert second.outcome is Outcome.FINISHED


def test_two_arrays_on_the_same_drives_wait_for_each_other_and_both_end() -> None:
    found = played("md-6.12-raid1-two-arrays-delayed", minutes(60))
    for array in ("md7", "md8"):
        (run,) = found.rebuilds(array)
        assert run.outcome is Outcome.FINISHED
    events = {event.get("event"): at(event["at"]) for event in truth("md-6.12-raid1-two-arrays-delayed")["events"]}
    (md8,) = found.rebuilds("md8")
    assert md8.ended is not None
    assert abs(md8.ended - events["md8 ended"]) < timedelta(seconds=15)


def test_the_removal_that_follows_a_cancelled_replace_is_the_rebuild() -> None:
    name = "btrfs-6.18-raid1-replace-cancelled-then-removed-missing"
    found = played(name, minutes(60))
    replaced, removed = found.rebuilds("labcancel")
    assert replaced.outcome is Outcome.CANCELLED
    assert removed.outcome is Outcome.FINISHED
    (ended,) = (at(event["at"]) for event in truth(name)["events"] if "remove missing ended" in event["event"])
    assert removed.ended is not None
    assert abs(removed.ended - ended) < timedelta(seconds=15)
    # It began within the minute in which the cancelled one was judged, so nobody is told of a failure.
    assert not [alert for alert in found.alerts if alert.kind is AlertKind.REBUILD_FAILED]
    assert [window.closed is not None for window in found.windows] == [True]


def test_a_suspended_pool_is_lost() -> None:
    found = played("zfs-2.3-raidz1-suspended", minutes(60))
    (lost,) = (alert for alert in found.alerts if alert.kind is AlertKind.ARRAY_LOST and alert.facts.get("state"))
    assert lost.level is Level.PAGE
    assert lost.redundancy_left is not None
    assert lost.redundancy_left < 0


def test_a_mirror_grown_on_purpose_is_never_a_loss() -> None:
    found = played("zfs-2.3-mirror-attach-sequential-and-healing", minutes(60))
    kinds = found.kinds("mir")
    # Sides attached twice and detached once; then one side was taken offline and came back: the only loss.
    assert kinds.count("layout-changed") == 3
    assert kinds.count("redundancy-reduced") == 1


@pytest.mark.parametrize("name", NAMES)
def test_no_alert_is_raised_twice_and_no_length_is_negative(name: str) -> None:
    found = played(name, minutes(6, stall=1))
    assert len({alert.id for alert in found.alerts}) == len(found.alerts)
    assert all(run.hours >= 0 for run in found.runs)
    assert all(window.hours >= 0 for window in found.windows)


def test_the_page_names_the_drives_that_nothing_else_can_stand_in_for() -> None:
    found = played("md-6.12-raid6-raid10-reshape-bitmap", minutes(60))
    (reduced,) = (a for a in found.alerts if a.kind is AlertKind.REDUNDANCY_REDUCED and a.array == "md6")
    # Near copies of four drives pair up (0, 1) and (2, 3): the partner of the lost one holds the only copy.
    assert reduced.facts["notes"] == ["the only copy of a part of the data is on vdt, vdq"]
    assert "only copy of a part of the data is on vdt, vdq" in render(reduced, "UTC").text
