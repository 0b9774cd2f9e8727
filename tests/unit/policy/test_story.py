"""What is said, and when: the alert kinds of the policy, each on a story of its own."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import timedelta

from mendwatch.model.alert import AlertKind, Level
from mendwatch.model.observation import ActivityKind, Errors, LastActivity, LastOutcome
from mendwatch.model.policy import ArrayPolicy
from mendwatch.model.records import Outcome
from support.story import START, Story, array, filling, member, mended, resilver, shares


def finished(story: Story, started_polls: int) -> LastActivity:
    began = story.at - timedelta(seconds=story.pace_s * started_polls)
    return LastActivity(ActivityKind.REBUILD, "resilver", LastOutcome.FINISHED, story.at, 0, began, 12 * 10**12)


def test_a_healthy_replacement_is_told_and_pages_nobody_but_for_the_loss() -> None:
    story = Story()
    story.repeat(3, array())
    story.repeat(3, array(0))
    story.fill(shares(0.0, 0.99, 200), START + timedelta(minutes=6))
    story.repeat(5, mended())
    assert story.kinds() == ["redundancy-reduced", "rebuild-underway", "rebuild-ended", "redundancy-restored"]
    assert [alert.level for alert in story.alerts] == [Level.PAGE, Level.NOTICE, Level.NOTICE, Level.NOTICE]
    (run,) = story.runs.values()
    (window,) = story.windows.values()
    assert run.outcome is Outcome.FINISHED
    assert run.members == ("d2",)
    assert window.rebuilds == (run.id,)
    assert window.opened == START + timedelta(minutes=3)
    assert window.opened_known
    assert window.closed == START + timedelta(minutes=206)
    assert abs(window.hours - 203 / 60) < 1e-9


def test_a_collapse_pages_once_with_its_reason_and_again_when_outlived() -> None:
    story = Story()
    story.repeat(2, array())
    story.see(array(0))
    story.fill(shares(0.0, 0.05, 30))
    slow = 0.05
    for _ in range(60 * 30):
        slow += 1e-5
        story.see(filling(slow))
    pages = [alert for alert in story.of(AlertKind.WINDOW_OVER_POLICY) if not alert.reminder]
    assert [alert.facts["reason"] for alert in pages] == ["projected", "outlived"]
    collapse = START + timedelta(minutes=33)
    assert pages[0].at - collapse < timedelta(minutes=30)
    assert pages[0].limit_hours == 24
    assert all(alert.level is Level.PAGE for alert in pages)
    assert pages[1].at - START > timedelta(hours=24)


def test_reminders_follow_while_a_page_stands_with_the_last_pause_repeating() -> None:
    story = Story(ArrayPolicy(window_limit_s={0: 9e9}, remind_after_s=(3600.0, 7200.0)), pace_s=600)
    story.see(array())
    story.repeat(40, array(0))
    reminders = story.of(AlertKind.REDUNDANCY_REDUCED)
    assert [alert.reminder for alert in reminders] == [0, 1, 2, 3]
    gaps = [(b.at - a.at).total_seconds() for a, b in itertools.pairwise(reminders)]
    assert gaps == [3600, 7200, 7200]
    assert len({alert.id for alert in reminders}) == 4


def test_a_reminder_tells_today_s_figures() -> None:
    story = Story(pace_s=600)
    story.see(array())
    story.fill(shares(0.0, 0.2, 300))
    pages = story.of(AlertKind.WINDOW_OVER_POLICY)
    told = [(alert.facts["elapsed_hours"], alert.facts["done"]) for alert in pages]
    assert len(told) > 3
    assert told == sorted(told)
    assert len(set(told)) == len(told)


def test_seen_degraded_at_first_sight_says_so() -> None:
    story = Story()
    story.see(array(0))
    (alert,) = story.alerts
    assert alert.facts["first_seen"] is True
    assert not next(iter(story.windows.values())).opened_known


def test_double_parity_falls_twice_and_only_the_second_wakes_somebody() -> None:
    story = Story()
    story.see(array(2, 2))
    story.repeat(2, array(1, 2))
    story.repeat(2, array(0, 2))
    assert [(a.kind, a.level) for a in story.alerts] == [
        (AlertKind.REDUNDANCY_REDUCED, Level.NOTICE),
        (AlertKind.REDUNDANCY_REDUCED, Level.PAGE),
    ]
    window = next(iter(story.windows.values()))
    assert window.redundancy_least == 0
    assert window.redundancy_full == 2


def test_a_stall_is_a_page_while_degraded_and_its_end_is_told() -> None:
    story = Story()
    story.repeat(2, array())
    story.fill(shares(0.0, 0.2, 40))
    story.repeat(25, filling(0.2))
    story.fill(shares(0.21, 0.3, 5))
    (stalled,) = story.of(AlertKind.REBUILD_STALLED)
    (moving,) = story.of(AlertKind.REBUILD_MOVING)
    assert stalled.level is Level.PAGE
    assert stalled.at - START == timedelta(minutes=2 + 39 + 20)
    assert moving.level is Level.NOTICE


def test_a_gap_is_neither_a_stall_nor_blindness() -> None:
    story = Story()
    story.repeat(2, array())
    story.fill(shares(0.0, 0.2, 40))
    story.pause(8 * 3600)
    story.repeat(3, filling(0.2))
    assert not story.of(AlertKind.REBUILD_STALLED)
    assert not story.of(AlertKind.SOURCE_BLIND)


def test_waiting_behind_another_rebuild_is_a_notice() -> None:
    story = Story()
    story.see(array())
    waiting = resilver(0.0, running=False, waiting=True, why_held="resync=DELAYED")
    story.repeat(40, replace(filling(0.0), activities=(waiting,)))
    (alert,) = story.of(AlertKind.REBUILD_STALLED)
    assert alert.level is Level.NOTICE
    assert alert.facts["waiting"] is True


def test_a_restart_is_a_new_rebuild_that_names_the_old_one() -> None:
    story = Story()
    story.see(array(0))
    first = story.at
    story.fill(shares(0.0, 0.4, 30), first)
    second = story.at
    story.fill(shares(0.0, 0.4, 30), second)
    third = story.at
    story.fill(shares(0.0, 0.4, 30), third)
    restarts = story.of(AlertKind.REBUILD_RESTARTED)
    assert [alert.level for alert in restarts] == [Level.NOTICE, Level.PAGE]
    runs = sorted(story.runs.values(), key=lambda run: run.started)
    assert [run.outcome for run in runs] == [Outcome.RESTARTED, Outcome.RESTARTED, Outcome.RUNNING]
    assert [run.after for run in runs] == [None, runs[0].id, runs[1].id]


def test_a_reboot_that_sets_progress_back_goes_on() -> None:
    story = Story()
    story.see(array(0))
    began = story.at
    story.fill(shares(0.0, 0.4, 30), began)
    story.boot, story.up = "boot-2", 30.0
    story.pause(600)
    story.fill(shares(0.35, 0.5, 30), began)
    assert len(story.runs) == 1
    assert not story.of(AlertKind.REBUILD_RESTARTED)
    assert not story.of(AlertKind.REBUILD_STALLED)


def test_a_cancelled_rebuild_pages_while_redundancy_is_reduced() -> None:
    story = Story()
    story.see(array(0))
    began = story.at
    story.fill(shares(0.0, 0.3, 20), began)
    last = LastActivity(ActivityKind.REBUILD, "resilver", LastOutcome.CANCELLED, story.at, None, began)
    story.repeat(4, array(0, last_activity=last))
    (alert,) = story.of(AlertKind.REBUILD_FAILED)
    assert alert.level is Level.PAGE
    assert next(iter(story.runs.values())).outcome is Outcome.CANCELLED


def test_a_moment_without_progress_line_does_not_split_a_rebuild() -> None:
    story = Story(pace_s=10)
    story.see(array(0))
    story.fill(shares(0.0, 0.2, 20))
    story.see(array(0))
    story.fill(shares(0.21, 0.4, 20))
    assert len(story.runs) == 1
    assert not story.of(AlertKind.REBUILD_FAILED)


def test_an_end_with_errors_pages_when_data_are_damaged() -> None:
    story = Story()
    story.see(array(0))
    began = story.at
    story.fill(shares(0.0, 0.9, 20), began)
    last = LastActivity(ActivityKind.REBUILD, "resilver", LastOutcome.FINISHED_WITH_ERRORS, story.at, 7, began)
    story.repeat(4, replace(mended(last), data_errors=7))
    assert [a.level for a in story.of(AlertKind.REBUILD_ENDED)] == [Level.PAGE]
    (lost,) = story.of(AlertKind.ARRAY_LOST)
    assert lost.facts["data_errors"] == 7


def test_a_run_between_two_polls_gives_its_record_and_its_alert() -> None:
    story = Story(pace_s=600)
    story.repeat(3, array())
    last = LastActivity(
        ActivityKind.REBUILD,
        "resilver",
        LastOutcome.FINISHED,
        story.at - timedelta(seconds=100),
        0,
        story.at - timedelta(seconds=141),
        1 << 30,
    )
    story.repeat(3, array(last_activity=last))
    (run,) = story.runs.values()
    assert run.outcome is Outcome.FINISHED
    assert abs(run.hours * 3600 - 41) < 1e-6
    assert story.of(AlertKind.REBUILD_ENDED)


def test_what_ended_before_the_first_look_is_no_event() -> None:
    story = Story()
    last = LastActivity(ActivityKind.REBUILD, "resilver", LastOutcome.FINISHED, START - timedelta(days=3), 0, None)
    story.repeat(3, array(last_activity=last))
    assert not story.alerts
    assert not story.runs


def test_blind_is_told_after_its_time_and_pages_while_degraded() -> None:
    story = Story()
    story.repeat(3, array(0))
    story.repeat(15, error="zpool gave no answer within 20 s", complete=False)
    story.repeat(2, array(0))
    (blind,) = story.of(AlertKind.SOURCE_BLIND)
    assert blind.level is Level.PAGE
    assert "20 s" in str(blind.facts["error"])
    (sighted,) = story.of(AlertKind.SOURCE_SIGHTED)
    assert sighted.level is Level.NOTICE


def test_blindness_of_a_healthy_host_is_a_notice_and_a_page_after_a_day() -> None:
    story = Story(pace_s=300)
    story.repeat(3, array())
    story.repeat(300, error="zpool gave no answer", complete=False)
    assert [alert.level for alert in story.of(AlertKind.SOURCE_BLIND)] == [Level.NOTICE, Level.PAGE]


def test_a_poll_that_lacks_a_reading_changes_nothing() -> None:
    story = Story()
    story.repeat(2, array())
    story.see(array(None, None, why_unknown="the table was cut", activities=None, members=()))
    story.repeat(2, array())
    assert not story.alerts


def test_an_array_that_is_gone_is_told_and_one_that_may_leave_is_not() -> None:
    story = Story()
    story.repeat(2, array())
    story.repeat(12)
    assert [(a.kind, a.level) for a in story.alerts] == [(AlertKind.ARRAY_GONE, Level.NOTICE)]
    quiet = Story(ArrayPolicy(may_leave=True))
    quiet.repeat(2, array())
    quiet.repeat(12)
    assert not quiet.alerts


def test_gone_while_degraded_wakes_somebody() -> None:
    story = Story()
    story.repeat(2, array(0))
    story.repeat(12)
    assert [a.level for a in story.of(AlertKind.ARRAY_GONE)] == [Level.PAGE]


def test_a_partial_listing_makes_nothing_gone() -> None:
    story = Story()
    story.repeat(2, array())
    story.repeat(30, complete=False)
    assert not story.alerts


def test_members_that_gain_errors_during_a_window() -> None:
    story = Story()
    story.repeat(2, array(0))
    worse = (member("a", errors=Errors(3, 0, 0)), member("b"), member("c"), member("d", good=False))
    story.repeat(3, array(0, members=worse))
    (alert,) = story.of(AlertKind.MEMBER_ERRORS)
    assert alert.level is Level.PAGE
    assert alert.facts["members"] == [{"name": "a", "read": 3, "write": 0, "checksum": 0}]


def test_a_lost_array_stands_until_it_serves_again() -> None:
    story = Story(ArrayPolicy(window_limit_s={0: 9e9}, remind_after_s=(9e9,)))
    story.see(array())
    story.repeat(3, array(-1, state="SUSPENDED", lost=True))
    story.repeat(2, array(0))
    story.repeat(2, array(-1, state="SUSPENDED", lost=True))
    assert len(story.of(AlertKind.ARRAY_LOST)) == 2


def test_a_layout_changed_on_purpose_is_neither_a_loss_nor_a_restoration() -> None:
    story = Story()
    story.see(array(1, 1))
    story.repeat(3, array(1, 2, slots=5))
    story.repeat(3, array(2, 2, slots=5))
    story.repeat(3, array(1, 1, slots=4))
    assert story.kinds() == ["layout-changed", "layout-changed"]
    assert not story.windows


def test_detaching_the_failed_side_restores_nothing() -> None:
    story = Story()
    story.see(array(1, 1))
    story.repeat(2, array(0, 1))
    story.repeat(4, array(0, 0))
    assert not story.of(AlertKind.REDUNDANCY_RESTORED)
    assert next(iter(story.windows.values())).closed is None


def test_a_slot_missing_by_design() -> None:
    story = Story(ArrayPolicy(redundancy_full=1))
    story.repeat(5, array(1, 2))
    assert not story.alerts


def test_waiting_for_a_drive_is_told_before_the_limit_is_broken() -> None:
    story = Story(ArrayPolicy(window_limit_s={0: 86400.0}, remind_after_s=(9e9,)), pace_s=600)
    story.see(array())
    story.repeat(6 * 26, array(0))
    reasons = [alert.facts["reason"] for alert in story.of(AlertKind.WINDOW_OVER_POLICY)]
    assert reasons == ["waiting", "outlived"]
    first = story.of(AlertKind.WINDOW_OVER_POLICY)[0]
    # 4 TB at the fastest rate that any rotating drive has: 4.4 h must be left.
    assert timedelta(hours=19) < first.at - START < timedelta(hours=20)


def test_a_wall_clock_set_back_makes_no_negative_window() -> None:
    story = Story()
    story.repeat(2, array())
    story.repeat(10, array(0))
    story.at -= timedelta(hours=5)
    story.repeat(10, array(0))
    story.repeat(5, mended())
    (window,) = story.windows.values()
    assert abs(window.hours - 20 / 60) < 1e-9
    (restored,) = story.of(AlertKind.REDUNDANCY_RESTORED)
    hours = restored.facts["hours"]
    assert isinstance(hours, float)
    assert abs(hours - 20 / 60) < 1e-9


def test_two_arrays_rebuild_at_once_without_meeting() -> None:
    story = Story()
    other = {"name": "attic", "id": "43"}
    story.see(array(0), replace(array(0), **other))  # type: ignore[arg-type]
    for share in shares(0.0, 0.9, 30):
        story.see(filling(share), replace(filling(share / 2), **other))  # type: ignore[arg-type]
    assert len(story.runs) == 2
    assert {run.array for run in story.runs.values()} == {"vault", "attic"}
    assert len(story.windows) == 2


def test_a_pool_made_again_under_its_name_is_another_array() -> None:
    story = Story()
    story.repeat(2, array(1, id="42"))
    story.repeat(12, array(0, id="99"))
    reduced = story.of(AlertKind.REDUNDANCY_REDUCED)
    assert [alert.array_id for alert in reduced] == ["99"]
    assert [alert.array_id for alert in story.of(AlertKind.ARRAY_GONE)] == ["42"]


def test_no_alert_of_one_condition_is_due_twice() -> None:
    story = Story()
    story.repeat(2, array())
    story.repeat(3, array(0))
    story.fill(shares(0.0, 0.2, 40))
    story.repeat(60, filling(0.2))
    assert len({alert.id for alert in story.alerts}) == len(story.alerts)
