"""How things stand as plain text: wrong things first, within eighty columns, nothing that steers a terminal."""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from datetime import timedelta

import pytest

from mendwatch import cycle
from mendwatch.model.alert import AlertKind
from mendwatch.model.observation import Activity, ActivityKind, Unread
from mendwatch.model.policy import ArrayPolicy
from mendwatch.model.records import Outcome, Quantiles, Sample, SourceRecord
from mendwatch.model.status import ArrayStatus
from mendwatch.reports import terminal
from support.story import START, Story, array, mended, shares
from support.told_alerts import HELD_BACK, SHINGLED, ZONE, alert

WIDTH = 80
HOSTILE = "a\x1b[2J\r\n\u202eb\x9b31m\u2028c"
STEERING = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}
ZFS = SourceRecord("zfs", START, START, None, 0, ("vault",))


def story(limit_h: float = 1.0) -> Story:
    """A pool that lost a drive and is half rebuilt."""
    told = Story(policy=ArrayPolicy(window_limit_s={0: limit_h * 3600}))
    told.repeat(3, array())
    told.repeat(3, array(0))
    told.fill(shares(0.0, 0.5, 60), told.at)
    return told


def standing(told: Story) -> ArrayStatus:
    (status,) = cycle.statuses(cycle.dump(told.state), told.host)
    return status


def whole() -> ArrayStatus:
    told = Story(policy=ArrayPolicy(window_limit_s={0: 86400.0}))
    told.repeat(3, array())
    return standing(told)


def shown(*arrays: ArrayStatus, sources: tuple[SourceRecord, ...] = (ZFS,), width: int = WIDTH) -> list[str]:
    return terminal.status(arrays, sources, START + timedelta(minutes=90), ZONE, width).split("\n")


def samples(told: Story) -> list[Sample]:
    return [sample for step in told.steps for sample in step.commit.samples]


def assert_plain(text: str) -> None:
    assert not {char for char in text if char != "\n" and unicodedata.category(char) in STEERING}


def test_all_is_well_is_said_first() -> None:
    lines = shown(whole())
    assert lines[0] == "1 array, all whole"
    assert "vault  zfs raidz1  ONLINE" in lines
    assert "  may still lose   1 of 1 drives" in lines
    assert "  limits           none left 24 h" in lines
    assert "  usual rebuild    15.4 h, by the size of its members at 72 MB/s" in lines
    assert lines[-1] == "  zfs        read 90 min ago, 1 array"


def test_nothing_seen_yet_is_not_all_well() -> None:
    assert shown(sources=())[0] == "no arrays have been seen"
    assert shown(sources=())[-1] == "  none has been read yet"


def test_what_is_wrong_is_said_first() -> None:
    wrong = standing(story())
    named = replace(wrong, array=replace(wrong.array, name="zulu"))
    lines = shown(whole(), named)
    assert lines[0] == "NOT WHOLE: zulu"
    assert lines[2].startswith("zulu ")
    assert lines.index("zulu  zfs raidz1  DEGRADED") < lines.index("vault  zfs raidz1  ONLINE")


def test_a_rebuild_stands_beside_the_policy() -> None:
    lines = shown(standing(story()))
    text = "\n".join(lines)
    # START is 09:00 in Berlin; the pool lost its drive at the fourth poll and was last seen 62 polls of a minute later.
    assert "  not whole for    62 min since Mon 02 Mar 09:03" in lines
    assert "    none left      62 min, limit 60 min  OVER THE LIMIT" in lines
    assert f"  rebuild          |{'=' * 20}{' ' * 20}| 50.0%" in lines
    assert "    onto           d2" in lines
    assert "    lately         1.7 GB/s" in lines
    assert "    ends           about Mon 02 Mar 11:0" in text
    assert "in all, limit 60 min  OVER THE LIMIT" in text
    assert "  page             no redundancy left, since Mon 02 Mar 09:03" in lines


def test_within_the_limit_nothing_is_said_to_be_over() -> None:
    assert "OVER" not in "\n".join(shown(standing(story(limit_h=24.0))))


@pytest.mark.parametrize("width", [80, 100, 132])
def test_no_line_is_wider_than_the_terminal(width: int) -> None:
    told = story()
    text = terminal.status([standing(told)], [replace(ZFS, error="no answer " * 30)], told.at, ZONE, width)
    (run,) = told.runs.values()
    shown_run = terminal.show_run(replace(run, causes=(SHINGLED,)), samples(told), told.alerts, [], ZONE, width)
    assert max(map(len, text.split("\n"))) <= width
    assert max(map(len, shown_run.split("\n"))) <= width


def test_a_line_that_is_too_wide_goes_on_under_its_value() -> None:
    cut = [line for line in shown(standing(story()), width=60) if line.startswith(" " * 19)]
    assert cut
    assert max(map(len, shown(standing(story()), width=1))) <= 80, "no narrower than can be read"


def test_a_window_without_a_rebuild_says_that_none_runs() -> None:
    told = Story()
    told.repeat(3, array())
    told.repeat(3, array(0))
    assert "  rebuild          none is running" in shown(standing(told))


def test_a_window_of_unknown_beginning_says_so() -> None:
    told = Story()
    told.repeat(3, array(0))
    assert any(line.endswith("since Mon 02 Mar 09:00 or before") for line in shown(standing(told)))


def test_what_is_not_known_is_said_with_its_reason() -> None:
    unknown = replace(
        whole(),
        array=array(None, why_unknown="a member's state was not read"),
        redundancy_left=None,
        redundancy_full=None,
    )
    lines = shown(unknown)
    assert lines[0] == "NOT WHOLE: vault"
    assert "  may still lose   not known of not known drives" in lines
    assert "  not known why    a member's state was not read" in lines


def test_an_array_that_is_gone_says_when_it_was_seen() -> None:
    lines = shown(replace(whole(), gone=True))
    assert lines[0] == "NOT WHOLE: vault"
    assert "  gone             last seen Mon 02 Mar 09:02" in lines


def test_a_source_that_cannot_be_read_is_said_at_once() -> None:
    blind = replace(ZFS, error="zpool status: no answer in 20 s", unread=2, arrays=("vault", "attic"))
    lines = shown(whole(), sources=(blind,))
    assert lines[0] == "1 array, all whole; CANNOT BE READ: zfs"
    assert "2 arrays, 2 lines not understood; cannot be read:" in " ".join(line.strip() for line in lines[-2:])
    assert shown(sources=(blind,))[0].endswith("CANNOT BE READ: zfs")


def test_lines_that_were_not_understood_are_shown() -> None:
    lines = shown(whole(), sources=(replace(ZFS, unread=2, first_unread=(Unread(7, "\tsomething\x1b new"),)),))
    assert lines[-1] == "    line 7: something? new"


def test_a_pass_has_its_own_word_and_no_projection() -> None:
    told = Story()
    scrub = Activity(ActivityKind.SCRUB, "scrub", running=True, done=0.25, started=START)
    told.repeat(3, array(activities=(scrub,)))
    lines = shown(standing(told))
    assert f"  scrub            |{'=' * 10}{' ' * 30}| 25.0%" in lines
    assert not [line for line in lines if line.startswith("    ends")]


def test_a_rebuild_that_is_held_says_why() -> None:
    status = standing(story())
    (run,) = status.runs
    held = replace(status, runs=(replace(run, held="frozen", done=None, sample=None),))
    lines = shown(held)
    assert f"  rebuild          |{'?' * 40}| not known" in lines
    assert "    held           frozen" in lines
    assert not [line for line in lines if line.startswith("    ends")]


def test_suspects_notes_causes_and_the_systems_own_estimate_are_shown() -> None:
    status = standing(story())
    (run,) = status.runs
    assert run.sample is not None
    sample = replace(run.sample, causes=(HELD_BACK,), native_finish=START + timedelta(hours=30), window_hours=None)
    told = replace(
        status,
        suspects=("d2: its model is sold as drive-managed",),
        array=replace(status.array, notes=("a is now the only copy of slot 0",)),
        runs=(replace(run, sample=sample),),
        standing=(alert(AlertKind.REBUILD_STALLED, reminder=1),),
        usual_hours=None,
    )
    text = "\n".join(shown(told))
    assert "  look at          d2: its model is sold as drive-managed" in text
    assert "  look at          a is now the only copy of slot 0" in text
    assert "    why            speed_limit_max is 20000" in text
    assert "    system says    Tue 03 Mar 15:00" in text
    assert "the rebuild has stood still for 42 min, reminded" in " ".join(text.split())
    assert "then not whole" not in text
    assert "usual rebuild" not in text


def test_a_limit_that_is_not_known_is_never_said_to_be_broken() -> None:
    text = "\n".join(shown(replace(standing(story()), limits_hours={})))
    assert "limit not known" in text
    assert "OVER" not in text


@pytest.mark.parametrize(
    ("finish", "words"),
    [
        (None, "nothing can be said yet"),
        (Quantiles(None, None, None), "not in sight"),
        (Quantiles(START, None, None), "not in sight; at the earliest Mon 02 Mar 09:00"),
        (
            Quantiles(None, START, None),
            "about Mon 02 Mar 09:00 Europe/Berlin (between not known and not in sight)",
        ),
    ],
)
def test_an_end_in_words(finish: Quantiles | None, words: str) -> None:
    assert terminal.finish_in_words(finish, ZONE) == words


@pytest.mark.parametrize(
    ("done", "drawn"),
    [
        (None, "|????|"),
        (0.0, "|    |"),
        (0.49, "|=   |"),
        (0.999, "|=== |"),
        (1.0, "|====|"),
        (1.7, "|====|"),
        (-1, "|    |"),
    ],
)
def test_progress_in_characters(done: float | None, drawn: str) -> None:
    assert terminal.bar(done, 4) == drawn


def finished() -> Story:
    told = story(limit_h=24.0)
    told.repeat(5, mended())
    return told


def test_the_history_has_a_line_for_each() -> None:
    told = finished()
    (run,) = told.runs.values()
    (window,) = told.windows.values()
    scrub = replace(run, type="pass", id="scrub1", word="scrub", members=(), outcome=Outcome.CANCELLED, hours=2.0)
    unknown = replace(window, id="w2", opened_known=False, closed=None, hours=50.0)
    lines = terminal.history_text([run, scrub], [window, unknown], ZONE).split("\n")
    assert lines[0] == "rebuilds"
    assert lines[1].startswith(f"  {run.id}  2026-03-02 09:06  vault  ")
    assert lines[1].endswith(" onto d2")
    assert any(
        line.startswith(f"  {window.id}  2026-03-02 09:03  vault  ") and "closed 2026-03-02 10:0" in line
        for line in lines
    )
    assert "  w2  2026-03-02 09:03 or before  vault  2 d 2 h, still open" in lines
    assert "  scrub1  2026-03-02 09:06  vault scrub  cancelled after 2 h" in lines
    assert lines[-1] == f"times in {ZONE}"


def test_an_empty_history_says_so() -> None:
    assert terminal.history_text([], [], ZONE).split("\n").count("  none") == 3


def test_a_run_is_shown_with_its_progress_and_its_alerts() -> None:
    told = finished()
    (run,) = told.runs.values()
    given = [(told.alerts[0].id, "ops", "delivered\x1b[1m")]
    whole_text = terminal.show_run(
        replace(run, after="older", causes=(SHINGLED,)), samples(told), told.alerts, given, ZONE, WIDTH
    )
    lines = whole_text.split("\n")
    assert lines[0] == f"rebuild {run.id}"
    assert "  array        vault (zfs)" in lines
    assert "  what         resilver onto d2" in lines
    assert f"  began        2026-03-02 09:06 {ZONE}" in lines
    assert "  starts over  older" in lines
    assert any(line.startswith("  first said   about Mon 02 Mar ") for line in lines)
    assert any(line.startswith("  why          dsk-b07 takes") for line in lines)
    assert any(line.startswith("  work         ") and ", mean " in line for line in lines)
    rows = [line for line in lines if line.startswith("  Mon 02 Mar") and "|" in line]
    assert 2 <= len(rows) <= terminal.ROWS_OF_PROGRESS + 1
    assert "  0.0%" in rows[0]
    assert " 50.0%" in rows[-1], "the last poll is always among them"
    assert "      ops: delivered?[1m" in lines
    assert_plain(whole_text)


def test_a_run_without_samples_or_alerts_is_shown() -> None:
    (run,) = finished().runs.values()
    bare = replace(run, bytes=None, first_finish=None, ended=None, members=(), outcome=Outcome.RUNNING)
    text = terminal.show_run(bare, [], [], [], ZONE, WIDTH)
    assert "  ended        not yet" in text
    assert "progress" not in text
    assert text.endswith("alerts\n  none")


def test_the_work_of_a_run_of_no_length_has_no_mean() -> None:
    (run,) = finished().runs.values()
    lines = terminal.show_run(replace(run, bytes=10**12, hours=0.0), [], [], [], ZONE, WIDTH).split("\n")
    assert "  work         1.0 TB" in lines


def test_a_window_is_shown_with_its_rebuilds() -> None:
    told = finished()
    (window,) = told.windows.values()
    runs = list(told.runs.values())
    lines = terminal.show_window(window, runs, told.alerts, [], ZONE).split("\n")
    assert lines[0] == f"window {window.id}"
    assert f"  opened       2026-03-02 09:03 {ZONE}" in lines
    assert "  least        0 of 1 drives could still be lost" in lines
    assert any(line.startswith(f"  {runs[0].id}  ") for line in lines)
    assert any("full redundancy is back" in line for line in lines)
    bare = replace(window, closed=None, opened_known=False, redundancy_least=None)
    text = terminal.show_window(bare, [], [alert(AlertKind.REBUILD_STALLED, reminder=1)], [], ZONE)
    assert "(already so when first seen)" in text
    assert "  closed       still open" in text
    assert "  least        not known of 1" in text
    assert "(reminder 1)" in text


def test_no_name_steers_the_terminal() -> None:
    told = story()
    status = standing(told)
    (run,) = told.runs.values()
    (window,) = told.windows.values()
    named = replace(
        status.array, name=HOSTILE, system=HOSTILE, level=HOSTILE, state=HOSTILE, why_unknown=HOSTILE, notes=(HOSTILE,)
    )
    hostile = replace(status, array=named, suspects=(HOSTILE,), usual_basis=HOSTILE)
    source = replace(ZFS, source=HOSTILE, error=HOSTILE)
    bad_run = replace(run, id=HOSTILE, array=HOSTILE, source=HOSTILE, word=HOSTILE, members=(HOSTILE,), after=HOSTILE)
    bad_window = replace(window, id=HOSTILE, array=HOSTILE, source=HOSTILE)
    alerts = [alert(AlertKind.ARRAY_LOST, facts={"why": HOSTILE})]
    given = [(alerts[0].id, HOSTILE, HOSTILE)]
    assert_plain("\n".join(shown(hostile, sources=(source,))))
    assert_plain(terminal.history_text([bad_run, replace(bad_run, type="pass")], [bad_window], ZONE))
    assert_plain(terminal.show_run(bad_run, samples(told), alerts, given, ZONE, WIDTH))
    assert_plain(terminal.show_window(bad_window, [bad_run], alerts, given, ZONE))
