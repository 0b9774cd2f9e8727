"""What runs on a btrfs filesystem and what ran last, from composed outputs (support/btrfs_samples.py)."""

from datetime import UTC, datetime

import pytest

from mendwatch.model.observation import ActivityKind, LastOutcome
from support.btrfs_samples import (
    BOTH,
    ERRORS,
    FILLING,
    GIB,
    GONE,
    LOST_ONE,
    RUNNING,
    RUNS,
    TWO,
    activity_of,
    ended,
    mirror,
    observe,
    only,
    replace,
    run,
    scrub,
    show,
    sysfs,
)


def test_a_replace_ends_where_the_allocation_ends() -> None:
    array = only(show(*FILLING), mirror(GONE), replace(RUNS))
    activity = activity_of(array)
    assert (activity.kind, activity.word, activity.running) == (ActivityKind.REBUILD, "replace", True)
    assert (activity.done, activity.end_share, activity.errors) == (0.234, 0.5, 2)
    assert (activity.fills, activity.started) == (("/dev/sdd",), None)
    assert activity.counters["permille"] == 234
    assert (array.slots, array.redundancy_left) == (2, 0)
    assert {m.name: (m.state, m.good, m.rebuilding) for m in array.members} == {
        "/dev/sdb": ("ok", True, False),
        "devid 2": ("missing", False, False),
        "/dev/sdd": ("target", False, True),
    }


def test_a_suspended_replace_is_paused() -> None:
    text = "Started on  6.May 06:00:00, suspended on  6.May 07:00:00 at 40.0%, 1 write errs, 0 uncorr. read errs"
    activity = activity_of(only(show(*FILLING), replace(text)))
    assert (activity.running, activity.paused, activity.done) == (False, True, 0.4)
    assert activity.started == datetime(2031, 5, 6, 6, tzinfo=UTC)
    assert activity.why_held == "suspended"


@pytest.mark.parametrize(
    ("text", "outcome", "errors"),
    [
        (ended("finished"), LastOutcome.FINISHED, 0),
        (ended("finished", write=3), LastOutcome.FINISHED_WITH_ERRORS, 3),
        (ended("canceled"), LastOutcome.CANCELLED, 0),
    ],
)
def test_a_replace_that_ended_is_remembered(text: str, outcome: LastOutcome, errors: int) -> None:
    array = only(show(*TWO), mirror(BOTH), replace(text))
    assert array.activities == ()
    last = array.last_activity
    assert last is not None
    assert (last.outcome, last.errors) == (outcome, errors)
    assert last.ended == datetime(2031, 5, 6, 7, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "printed", "moment"),
    [
        ("UTC", "31.Dec 23:00:00", datetime(2030, 12, 31, 23, tzinfo=UTC)),
        ("UTC", "29.Feb 10:00:00", datetime(2028, 2, 29, 10, tzinfo=UTC)),
        ("Europe/Paris", " 6.May 07:00:00", datetime(2031, 5, 6, 5, tzinfo=UTC)),
    ],
)
def test_the_year_that_is_not_printed_is_the_last_that_fits(zone: str, printed: str, moment: datetime) -> None:
    (array,) = observe(show(*TWO), replace(ended("finished", began=printed, at=printed)), zone=zone).arrays
    assert array.last_activity is not None
    assert array.last_activity.ended == moment


def test_a_leap_day_that_is_too_long_ago_is_not_known() -> None:
    """2100 is no leap year, and around it they are eight years apart."""
    read = replace(ended("finished", began="29.Feb 01:00:00", at="29.Feb 02:00:00"))
    (array,) = observe(show(*TWO), read, at=datetime(2103, 5, 6, tzinfo=UTC)).arrays
    assert array.last_activity is not None
    assert array.last_activity.ended == datetime(2096, 2, 29, 2, tzinfo=UTC)


@pytest.mark.parametrize("printed", ["99.May 07:00:00", " 6.Mai 07:00:00", "30.Feb 07:00:00"])
def test_a_date_that_is_none_is_not_known(printed: str) -> None:
    (array,) = observe(show(*TWO), replace(ended("finished", at=printed))).arrays
    assert array.last_activity is not None
    assert array.last_activity.ended is None


def test_an_odd_word_of_the_replace_is_told() -> None:
    seen = observe(show(*TWO), mirror(BOTH), replace("Perhaps started"))
    assert [odd.text for odd in seen.unread] == ["Perhaps started"]
    assert seen.arrays[0].redundancy_left == 1


def test_a_removal_of_the_missing_device_is_a_rebuild() -> None:
    # What it has free is negative by what it still holds (seen on 6.18 with 6.2).
    shrunk = mirror(GONE).stdout.replace(f"   missing\t{GIB}\n   ", "   ").removesuffix(f"missing\t{GIB}\n")
    chunks = run("filesystem", "usage", "-b", stdout=f"{shrunk}missing\t-{3 * GIB}\n")
    reads = [show(*LOST_ONE), chunks, replace("Never started"), *sysfs(exclusive_operation="device remove")]
    activity = activity_of(only(*reads))
    assert (activity.kind, activity.word, activity.done) == (ActivityKind.REBUILD, "device remove", None)
    assert activity.counters == {"allocated": 3 * GIB}


def test_a_removal_of_a_device_that_is_there_is_none() -> None:
    reads = [show(*TWO), mirror(BOTH), replace("Never started"), *sysfs(exclusive_operation="device remove")]
    assert activity_of(only(*reads)).kind is ActivityKind.REMOVE


BALANCE = "Balance on '/srv/books' is {}\n3 out of about 12 chunks balanced (4 considered),  75% left\n"


@pytest.mark.parametrize(
    ("word", "running"),
    [("running", True), ("running, cancel requested", True), ("running, pause requested", True), ("paused", False)],
)
def test_a_balance_answers_with_an_exit_code_of_one(word: str, running: bool) -> None:
    read = run("balance", "status", stdout=BALANCE.format(word), code=1)
    activity = activity_of(only(show(*TWO), replace("Never started"), read))
    assert (activity.kind, activity.running, activity.paused) == (ActivityKind.BALANCE, running, not running)
    assert activity.done == 0.25


def test_a_balance_of_no_chunks_has_no_share() -> None:
    text = "Balance on '/srv/books' is running\n0 out of about 0 chunks balanced (0 considered), -nan% left\n"
    assert activity_of(only(show(*TWO), run("balance", "status", stdout=text, code=1))).done is None


@pytest.mark.parametrize(("operation", "running"), [("balance", True), ("balance paused", False)])
def test_a_balance_is_seen_without_root(operation: str, running: bool) -> None:
    activity = activity_of(only(*sysfs(exclusive_operation=operation)))
    assert (activity.kind, activity.running, activity.paused) == (ActivityKind.BALANCE, running, not running)


def test_odd_lines_of_a_balance_are_told() -> None:
    seen = observe(show(*TWO), run("balance", "status", stdout="Balancing acts\n"))
    again = observe(show(*TWO), run("balance", "status", stdout=f"{BALANCE.format('running')}more\n", code=1))
    assert [[odd.text for odd in one.unread] for one in (seen, again)] == [["Balancing acts"], ["more"]]
    assert observe(show(*TWO), run("balance", "status", stdout="No balance found on '/srv/books'\n")).unread == ()


def test_a_scrub_that_runs_is_a_pass() -> None:
    activity = activity_of(only(show(*TWO), replace("Never started"), scrub("running", RUNNING)))
    assert (activity.kind, activity.running, activity.done) == (ActivityKind.SCRUB, True, 0.3235)
    assert activity.started == datetime(2031, 5, 6, 5, 8, 9, tzinfo=UTC)
    assert (activity.native_seconds_left, activity.errors) == (1805.0, 0)


def test_a_resumed_scrub_counts_past_its_end() -> None:
    over = RUNNING.replace("32.35", "125.00")
    assert activity_of(only(show(*TWO), scrub("running", over))).done == 1.0


@pytest.mark.parametrize(
    ("status", "errors", "outcome", "count"),
    [
        ("finished", "no errors found", LastOutcome.FINISHED, 0),
        ("finished", ERRORS, LastOutcome.FINISHED_WITH_ERRORS, 3),
        ("aborted", "no errors found", LastOutcome.CANCELLED, 0),
    ],
)
def test_a_scrub_that_ended_is_remembered(status: str, errors: str, outcome: LastOutcome, count: int) -> None:
    array = only(show(*TWO), replace("Never started"), scrub(status, errors=errors))
    last = array.last_activity
    assert last is not None
    assert (last.kind, last.outcome, last.errors) == (ActivityKind.SCRUB, outcome, count)
    assert last.ended == datetime(2031, 5, 6, 6, 8, 9, tzinfo=UTC)


def test_of_a_scrub_and_a_replace_the_later_is_the_last() -> None:
    array = only(show(*TWO), replace(ended("finished")), scrub("finished"))
    assert array.last_activity is not None
    assert array.last_activity.kind is ActivityKind.REBUILD


def test_what_nobody_looked_at_is_not_known_to_rest() -> None:
    assert only(show(*TWO), mirror(BOTH)).activities is None
    assert only(show(*TWO), mirror(BOTH), replace("Never started")).activities == ()
    assert only(*sysfs(exclusive_operation="none", devinfo__1__missing="0")).activities == ()
