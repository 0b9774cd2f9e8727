"""What must hold whatever the polls bring: repeated, missing, out of order, or lacking readings."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mendwatch.model.observation import ActivityKind, Array, LastActivity, LastOutcome
from mendwatch.model.policy import ArrayPolicy
from mendwatch.model.records import Outcome
from support.story import START, Story, array, filling, mended, shares

POLLS = st.lists(
    st.one_of(
        st.floats(0, 1).map(lambda share: ("fill", share)),
        st.sampled_from([("healthy", 0.0), ("lost", 0.0), ("unknown", 0.0), ("absent", 0.0), ("blind", 0.0)]),
        st.floats(1, 1e5).map(lambda seconds: ("pause", seconds)),
        st.floats(1, 1e5).map(lambda seconds: ("set-back", seconds)),
        st.just(("reboot", 0.0)),
    ),
    max_size=40,
)


def play(story: Story, polls: list[tuple[str, float]]) -> None:
    unknown: Array = array(None, None, why_unknown="cut", activities=None, members=())
    for what, figure in polls:
        match what:
            case "fill":
                story.see(filling(figure))
            case "healthy":
                story.see(mended())
            case "lost":
                story.see(array(-1, lost=True))
            case "unknown":
                story.see(unknown)
            case "absent":
                story.see()
            case "blind":
                story.see(error="no answer", complete=False)
            case "pause":
                story.pause(figure)
            case "set-back":
                story.at -= timedelta(seconds=figure)
            case _:
                story.boot, story.up = f"{story.boot}+", 10.0


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(POLLS)
def test_alerts_are_unique_and_windows_never_negative(polls: list[tuple[str, float]]) -> None:
    story = Story(ArrayPolicy(window_limit_s={0: 3600.0}, stall_after_s=120.0, blind_after_s=120.0))
    story.see(array())
    play(story, polls)
    assert len({alert.id for alert in story.alerts}) == len(story.alerts)
    assert all(window.hours >= 0 for window in story.windows.values())
    assert all(run.hours >= 0 for run in story.runs.values())
    for step in story.steps:
        for entry in step.progress:
            finish = entry.sample.forecast.finish if entry.sample.forecast else None
            ends = [finish.p10, finish.p50, finish.p90] if finish else []
            told = [end for end in ends if end is not None]
            assert told == sorted(told)
            # An end out of sight is never followed by one that is in sight.
            assert [end is None for end in ends] == sorted(end is None for end in ends)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from(["see", "unknown", "repeat", "pause"]), min_size=5, max_size=40))
def test_missing_and_repeated_polls_never_split_a_rebuild(what: list[str]) -> None:
    story = Story()
    story.see(array())
    story.see(array(0))
    share = 0.1
    began = story.at
    for word in what:
        if word == "see":
            share += 0.01
        if word == "unknown":
            story.see(replace(filling(share), activities=None, redundancy_left=None, members=()))
        elif word == "pause":
            story.pause(5000)
        else:
            story.see(filling(share, began))
    assert len(story.runs) <= 1
    assert len(story.windows) == 1


def test_a_start_that_lies_after_the_poll_makes_no_negative_time() -> None:
    """The tool's dates carry no zone: read in the wrong one, or with the clock set back, they lie in the future."""
    told = Story()
    ahead = START + timedelta(hours=2)
    told.see(array())
    told.fill(shares(0.1, 0.9, 20), ahead)
    over = ahead + timedelta(minutes=20)
    ended = LastActivity(ActivityKind.REBUILD, "resilver", LastOutcome.FINISHED, over, 0, ahead)
    told.repeat(4, mended(ended))
    (run,) = told.runs.values()
    assert run.outcome is Outcome.FINISHED
    assert run.ended is not None
    assert START <= run.started < run.ended
    # Twenty polls, a minute apart, and one more until it was seen to be over.
    assert run.hours == pytest.approx(20 / 60)
    assert [window.hours >= 0 for window in told.windows.values()] == [True]
