"""``zpool status`` of every era, composed from the grammar in the published source (cmd/zpool/zpool_main.c at the tags
0.4.9, 0.6.5.11, 0.7.13, 0.8.6, 2.0.7, 2.1.15, 2.2.9 and 2.3.9, and FreeBSD's and illumos' own trees).
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from mendwatch.model.observation import Activity, ActivityKind, LastActivity, LastOutcome
from mendwatch.parsers.zfs import PARSER
from mendwatch.simulator import Kind, Scenario, captures
from support.zfs_samples import MIRROR, RAIDZ_REPLACE, document, parse, pool

SINCE = "Mon Mar  2 08:15:09 2026"
STARTED = datetime(2026, 3, 2, 8, 15, 9, tzinfo=UTC)
T = 1 << 40
FOUR_DAYS_S = 3 * 86400 + 5 * 3600 + 23 * 60 + 21

# Era, the scan paragraph, share done, bytes done and in all, seconds that the tool says are left.
RESILVERS = [
    ("E0", " scrub: resilver in progress for 22h13m, 28.94% done, 54h33m to go\n", 0.2894, None, None, 196380),
    (
        "E1",
        (
            "  scan: resilver in progress since {}\n    6.31T scanned out of 21.8T at 58.3M/s, 77h23m to go\n"
            "    1.50T resilvered, 28.94% done\n"
        ),
        0.2894,
        6.31 * T,
        21.8 * T,
        77 * 3600 + 23 * 60,
    ),
    (
        "E1, decimal comma",
        (
            "  scan: resilver in progress since {}\n    6,31T scanned out of 21,8T at 58,3M/s, 77h23m to go\n"
            "    1,50T resilvered, 28,94% done\n"
        ),
        0.2894,
        6.31 * T,
        21.8 * T,
        77 * 3600 + 23 * 60,
    ),
    (
        "E2, slow",
        (
            "  scan: resilver in progress since {}\n"
            "\t940G scanned out of 21.8T at 3.10M/s, (scan is slow, no estimated time)\n\t228G resilvered, 4.21% done\n"
        ),
        0.0421,
        940 << 30,
        21.8 * T,
        None,
    ),
    (
        "FreeBSD 12",
        (
            "  scan: resilver in progress since {}\n"
            "\t6.31T scanned out of 21.8T at 58.3M/s, 77h23m to go\n        0 resilvered, 28.94% done\n"
        ),
        0.2894,
        6.31 * T,
        21.8 * T,
        77 * 3600 + 23 * 60,
    ),
    (
        "E3",
        (
            "  scan: resilver in progress since {}\n\t14.2T scanned at 131M/s, 6.31T issued at 58.3M/s, 21.8T total\n"
            "\t1.50T resilvered, 28.94% done, 3 days 05:23:21 to go\n"
        ),
        0.2894,
        6.31 * T,
        21.8 * T,
        FOUR_DAYS_S,
    ),
    (
        "E4",
        (
            "  scan: resilver in progress since {}\n\t14.2T scanned at 131M/s, 6.31T issued at 0B/s, 21.8T total\n"
            "\t1.50T resilvered, 28.94% done, no estimated completion time\n"
        ),
        0.2894,
        6.31 * T,
        21.8 * T,
        None,
    ),
    (
        "E5",
        (
            "  scan: resilver in progress since {}\n"
            "\t14.2T / 21.8T scanned at 131M/s, 6.31T / 21.6T issued at 58.3M/s\n"
            "\t1.50T resilvered, 29.21% done, 05:23:21 to go\n"
        ),
        0.2921,
        6.31 * T,
        21.6 * T,
        5 * 3600 + 23 * 60 + 21,
    ),
    (
        "E5, only issuing",
        (
            "  scan: resilver in progress since {}\n\t21.8T / 21.8T scanned, 15.9T / 21.6T issued\n"
            "\t3.78T resilvered, 73.61% done, no estimated completion time\n"
        ),
        0.7361,
        15.9 * T,
        21.6 * T,
        None,
    ),
    (
        "more than all",
        (
            "  scan: resilver in progress since {}\n\t1T / 1T scanned, 1.50T / 1T issued\n"
            "\t1T resilvered, 150.00% done, no estimated completion time\n"
        ),
        1.5,
        1.5 * T,
        T,
        None,
    ),
    (
        "nothing to do",
        (
            "  scan: resilver in progress since {}\n\t0B / 0B scanned, 0B / 0B issued\n"
            "\t0B resilvered, nan% done, no estimated completion time\n"
        ),
        None,
        0,
        0,
        None,
    ),
]


def one(array_activities: tuple[Activity, ...] | None) -> Activity:
    assert array_activities is not None
    (activity,) = array_activities
    return activity


@pytest.mark.parametrize(("era", "scan", "done", "bytes_done", "total", "left_s"), RESILVERS)
def test_a_running_resilver_of_every_era(
    era: str, scan: str, done: float | None, bytes_done: float | None, total: float | None, left_s: float | None
) -> None:
    array = pool(document(scan.replace("{}", SINCE), RAIDZ_REPLACE, state="DEGRADED"))
    activity = one(array.activities)
    assert (activity.kind, activity.word, activity.running) == (ActivityKind.REBUILD, "resilver", True)
    assert activity.started == (None if era == "E0" else STARTED)
    assert activity.done == (pytest.approx(done) if done is not None else None)
    assert activity.done_bytes == (pytest.approx(bytes_done) if bytes_done is not None else None)
    assert activity.total_bytes == (pytest.approx(total) if total is not None else None)
    assert activity.native_seconds_left == left_s
    assert activity.fills == ("dsk-b07",)
    assert (array.redundancy_full, array.redundancy_left, array.slots, array.level) == (1, 0, 4, "raidz1")
    assert array.lost is False
    assert array.last_activity is None


# The scan paragraph, then kind, outcome, seconds that it took, errors, bytes.
ENDED = [
    (" scrub: resilver completed after 3h2m with 0 errors on {}\n", "resilver", "finished", 10920, 0, None),
    (" scrub: scrub stopped after 3h2m with 2 errors on {}\n", "scrub", "cancelled", None, None, None),
    ("  scan: resilvered 5.13T in 219h12m with 0 errors on {}\n", "resilver", "finished", 789120, 0, 5.13 * T),
    ("  scan: scrub repaired 0 in 11h2m with 0 errors on {}\n", "scrub", "finished", 39720, 0, 0),
    ("  scan: resilvered 5.13T in 9 days 03:12:44 with 3 errors on {}\n", "resilver", "bad", 789164, 3, 5.13 * T),
    ("  scan: scrub repaired 0B in 0 days 11:02:33 with 0 errors on {}\n", "scrub", "finished", 39753, 0, 0),
    ("  scan: scrub repaired 0B in 11:02:33 with 0 errors on {}\n", "scrub", "finished", 39753, 0, 0),
    ("  scan: thorough scrub repaired 0B in 11:02:33 with 0 errors on {}\n", "scrub", "finished", 39753, 0, 0),
    ("  scan: resilver canceled on {}\n", "resilver", "cancelled", None, None, None),
    ("  scan: resilver (mirror-0) canceled on {}\n", "resilver", "cancelled", None, None, None),
    ("  scan: resilvered (mirror-0) 1T in 01:00:00 with 0 errors on {}\n", "resilver", "finished", 3600, 0, T),
    (" scrub: scrubbed 12 error blocks in 0 days 00:00:07 on {}\n", "scrub", "finished", 7, 0, None),
    (" scrub: error scrub canceled on {}\n", "scrub", "cancelled", None, None, None),
]


@pytest.mark.parametrize(("scan", "word", "outcome", "took_s", "errors", "bytes_"), ENDED)
def test_what_ended_last(
    scan: str, word: str, outcome: str, took_s: float | None, errors: int | None, bytes_: float | None
) -> None:
    array = pool(document(scan.replace("{}", SINCE)))
    last = array.last_activity
    assert last is not None
    assert array.activities == ()
    assert (last.word, last.ended) == (word, STARTED)
    assert last.outcome is (LastOutcome.FINISHED_WITH_ERRORS if outcome == "bad" else LastOutcome(outcome))
    assert (last.ended - last.started).total_seconds() == took_s if last.started and last.ended else took_s is None
    assert (last.errors, last.bytes) == (errors, pytest.approx(bytes_) if bytes_ is not None else None)


def test_a_resilver_that_ended_with_errors_leaves_less_than_the_full_redundancy() -> None:
    """dsl_scan.c: with errors the missing range is not cleared, although the drive is ONLINE."""
    array = pool(document(f"  scan: resilvered 5.13T in 9 days 03:12:44 with 3 errors on {SINCE}\n"))
    assert (array.redundancy_full, array.redundancy_left) == (1, 0)
    assert array.notes


@pytest.mark.parametrize("scan", ["", "  scan: none requested\n", " scrub: none requested\n"])
def test_a_pool_that_was_never_scanned(scan: str) -> None:
    array = pool(document(scan))
    assert (array.activities, array.last_activity, array.redundancy_left) == ((), None, 1)


@pytest.mark.parametrize(
    ("scan", "done"),
    [
        (
            (
                f"  scan: scrub paused since Tue Mar  3 09:00:00 2026\n\tscrub started on   {SINCE}\n"
                "\t6.31T scanned out of 21.8T\n\t0B repaired, 28.94% done\n"
            ),
            0.2894,
        ),
        (
            (
                f"  scan: scrub paused since Tue Mar  3 09:00:00 2026\n\tscrub started on {SINCE}\n"
                "\t14.2T scanned, 6.31T issued, 21.8T total\n\t0B repaired, 28.94% done\n"
            ),
            0.2894,
        ),
        (
            (
                f"  scan: scrub paused since Tue Mar  3 09:00:00 2026\n\tscrub started on {SINCE}\n"
                "\t14.2T / 21.8T scanned, 6.31T / 21.8T issued\n\t0B repaired, 28.94% done\n"
            ),
            0.2894,
        ),
        (
            (
                f" scrub: error scrub paused since Tue Mar  3 09:00:00 2026\n\terror scrub started on {SINCE}\n"
                "\t50.00% done, issued I/O for 7 error blocks\n"
            ),
            0.5,
        ),
    ],
)
def test_a_paused_scrub_takes_nothing_from_redundancy(scan: str, done: float) -> None:
    array = pool(document(scan))
    activity = one(array.activities)
    assert (activity.kind, activity.running, activity.paused) == (ActivityKind.SCRUB, False, True)
    assert activity.done == pytest.approx(done)
    assert (activity.started, activity.fills) == (STARTED, ())
    assert activity.why_held == "paused"
    assert array.redundancy_left == 1


@pytest.mark.parametrize(
    ("rates", "scrub"),
    [
        ("\t1.84T scanned at 171M/s, 1.84T issued 171M/s, 5.02T total\n", ""),
        (
            "\t1.84T / 5.02T scanned at 171M/s, 1.15T / 4.33T issued at 107M/s\n",
            "  scan: scrub repaired 0B in 11:02:33 with 0 errors on Sun Mar  1 11:26:40 2026\n",
        ),
    ],
)
def test_a_sequential_resilver_fills_only_its_own_top_level(rates: str, scrub: str) -> None:
    table = f"{MIRROR}\n  mirror-1                 ONLINE       0     0     0\n"
    table += "    dsk-b01                ONLINE       0     0     0\n"
    table += "    dsk-b02                ONLINE       0     0     0  (resilvering)"
    first = f"  scan: resilver (mirror-1) in progress since {SINCE}\n"
    scan = f"{first}{rates}\t1.84T resilvered, 36.65% done, 05:24:59 to go\n"
    array = pool(document(scrub + scan, table))
    activity = one(array.activities)
    assert (activity.subject, activity.fills, activity.native_seconds_left) == ("mirror-1", ("dsk-b02",), 19499)
    assert activity.done == pytest.approx(0.3665)
    assert (array.redundancy_full, array.redundancy_left, array.slots) == (1, 0, 4)
    assert (array.last_activity is None) is (scrub == "")


@pytest.mark.parametrize(
    ("paragraph", "kind", "paused", "left_s"),
    [
        (
            (
                f"expand: expansion of raidz1-0 in progress since {SINCE}\n"
                "\t1T / 4T copied at 100M/s, 25.00% done, 08:00:00 to go\n"
            ),
            ActivityKind.EXPAND,
            False,
            28800,
        ),
        (
            (
                f"expand: expansion of raidz1-0 in progress since {SINCE}\n"
                "\t1T / 4T copied at 100M/s, 25.00% done, paused for resilver or clear\n"
            ),
            ActivityKind.EXPAND,
            True,
            None,
        ),
        (
            (
                f"remove: Evacuation of mirror-1 in progress since {SINCE}\n"
                "\t1T copied out of 4T at 100M/s, 25.00% done, 8h0m to go\n"
            ),
            ActivityKind.REMOVE,
            False,
            28800,
        ),
    ],
)
def test_expansion_and_removal_fill_nothing(paragraph: str, kind: ActivityKind, paused: bool, left_s: float) -> None:
    activity = one(pool(document(paragraph)).activities)
    assert (activity.kind, activity.paused, activity.started, activity.fills) == (kind, paused, STARTED, ())
    assert (activity.done, activity.native_seconds_left) == (0.25, left_s)


@pytest.mark.parametrize(
    "paragraph",
    [
        f"checkpoint: created {SINCE}, consumes 1.20M\n",
        "status: Some features are not enabled.\n\tThe pool can still be used.\naction: Upgrade.\n   see: ZFS-8000\n",
        "  scan: none requested\n    scan warning: skipped blocks that are only referenced by the checkpoint.\n",
    ],
)
def test_what_is_knowingly_skipped(paragraph: str) -> None:
    array = pool(document(paragraph))
    assert (array.activities, array.last_activity) == ((), None)


def test_dates_are_of_the_zone_of_the_tool() -> None:
    text = document("  scan: resilver canceled on Mon Jul  6 08:15:09 2026\n")
    last = pool(text, zone="Europe/Vienna").last_activity
    assert last == LastActivity(
        ActivityKind.REBUILD, "resilver", LastOutcome.CANCELLED, datetime(2026, 7, 6, 6, 15, 9, tzinfo=UTC)
    )


def test_a_date_that_is_none_is_not_told() -> None:
    last = pool(document("  scan: resilver canceled on Mon Foo 36 08:15:09 2026\n")).last_activity
    assert last is not None
    assert last.ended is None


def test_an_odd_line_is_told_and_drops_nothing_else() -> None:
    scan = f"  scan: resilver in progress since {SINCE}\n\tthe moon is full\n\t1.50T resilvered, 28.94% done\n"
    seen = parse(document(scan + "moon: full\n", RAIDZ_REPLACE + "\nan odd row"))
    assert {line.text for line in seen.unread} == {"moon: full", "\tthe moon is full", "\tan odd row"}
    assert one(seen.arrays[0].activities).done == pytest.approx(0.2894)
    assert seen.arrays[0].redundancy_left is None
    assert seen.arrays[0].why_unknown


def test_a_scan_of_an_unknown_kind_is_unread() -> None:
    seen = parse(document("  scan: polishing in progress\n"))
    assert [(line.line, line.text) for line in seen.unread] == [(3, "polishing in progress")]


@pytest.mark.parametrize("kind", list(Kind))
def test_simulated_text_is_read_whole(kind: Kind) -> None:
    filled = False
    for capture in captures(Scenario(kind=kind, seed=5, poll_s=3600)):
        seen = PARSER.parse(capture)
        assert (seen.unread, seen.error, len(seen.arrays)) == ((), None, 1)
        for activity in seen.arrays[0].activities or ():
            filled = filled or bool(activity.fills)
            assert activity.done is not None
    assert filled
