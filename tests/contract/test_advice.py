"""What a message may advise is a closed list, and some words are never ours (contract, section 8)."""

from __future__ import annotations

import re

import pytest

from mendwatch.model.alert import AlertKind, Level
from mendwatch.model.records import Cause
from mendwatch.reports.advice import BY_CAUSE, BY_KIND, NO_GUARANTEE, Advice, advice_for
from mendwatch.reports.messages import render
from support.told_alerts import HELD_BACK, SHINGLED, ZONE, alert

# The list of the contract, section 8, in our sentences. A sentence more is a change of the contract.
CLOSED_LIST = {
    "First verify that a current backup exists and can be restored.",
    "Find the drive by its serial number before touching anything.",
    "Read what the storage system's vendor says about this state.",
    "Lower other load on these drives if you can.",
    "Look at the setting named above.",
    "Look at the cables and ports of the drives concerned.",
    "Ask the person responsible before changing anything.",
}
NEVER = re.compile(r"\b(pull|detach|cancel|force|recreat|clear|repair)", re.IGNORECASE)
STEP = re.compile(r"^\d+\. (.*)$", re.MULTILINE)


def test_the_list_is_closed() -> None:
    assert {advice.value for advice in Advice} == CLOSED_LIST


@pytest.mark.parametrize("sentence", [*CLOSED_LIST, NO_GUARANTEE])
def test_no_advice_urges_an_act_that_cannot_be_taken_back(sentence: str) -> None:
    assert not NEVER.search(sentence)


@pytest.mark.parametrize("level", Level)
@pytest.mark.parametrize("kind", AlertKind)
def test_every_step_is_of_the_list(kind: AlertKind, level: Level) -> None:
    message = render(alert(kind, level, causes=(SHINGLED, HELD_BACK)), ZONE)
    steps = STEP.findall(message.text)
    assert set(steps) <= CLOSED_LIST
    assert len(steps) == len(set(steps)) <= 4
    if level is Level.PAGE and kind in BY_KIND:
        assert len(steps) >= len(BY_KIND[kind])


@pytest.mark.parametrize("outcome", ["cancelled", "interrupted", "finished", "finished-with-errors", "unheard-of"])
@pytest.mark.parametrize("level", Level)
@pytest.mark.parametrize("kind", AlertKind)
def test_no_message_of_ours_holds_a_word_that_urges_an_act(kind: AlertKind, level: Level, outcome: str) -> None:
    told = alert(kind, level)
    message = render(alert(kind, level, facts={**told.facts, "outcome": outcome}), ZONE)
    assert not NEVER.search(message.title)
    assert not NEVER.search(message.text)
    assert not NEVER.search(message.html)


@pytest.mark.parametrize("kind", AlertKind)
def test_each_page_says_that_it_is_no_guarantee(kind: AlertKind) -> None:
    assert "estimate and no guarantee" in render(alert(kind, Level.PAGE), ZONE).text
    assert "estimate and no guarantee" in render(alert(kind, Level.PAGE), ZONE).html


def test_a_setting_is_only_pointed_at_where_the_message_names_one() -> None:
    for kind in AlertKind:
        assert Advice.SETTING not in advice_for(kind, ())
        assert Advice.SETTING not in advice_for(kind, (Cause.SHINGLED_WRITER,))
    message = render(alert(AlertKind.WINDOW_OVER_POLICY, causes=(HELD_BACK,)), ZONE)
    before, _, _ = message.text.partition(Advice.SETTING.value)
    assert before != message.text
    assert "speed_limit_max" in before


def test_a_slow_new_drive_is_weighed_side_by_side_without_choosing() -> None:
    message = render(alert(AlertKind.WINDOW_OVER_POLICY, causes=(SHINGLED,)), ZONE)
    # By hand: the middle of the projection is 48 h after the alert; a drive like its peers takes the usual 15.4 h.
    assert "If it stays: 2 d; a drive like its peers would need about 15.4 h, from the start." in message.text
    assert "If it stays" not in render(alert(AlertKind.WINDOW_OVER_POLICY, causes=(HELD_BACK,)), ZONE).text


def test_what_is_advised_for_a_cause_is_of_the_list_too() -> None:
    assert set(BY_CAUSE) <= set(Cause)
    assert all(advice in Advice for advice in BY_CAUSE.values())
