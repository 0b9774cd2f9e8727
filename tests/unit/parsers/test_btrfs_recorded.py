"""Recorded polls of btrfs: live ones, others composed from the sources of btrfs-progs (cmds/*.c) of their version."""

from pathlib import Path

import pytest

from mendwatch.parsers.btrfs import PARSER
from support.parser_cases import cases, differences, origin

CASES = cases("btrfs")


def test_there_are_enough_cases_of_both_kinds() -> None:
    live = [case for case in CASES if case.name.startswith("live-")]
    made = [case for case in CASES if case.name.startswith("made-up-")]
    published = [case for case in CASES if case.name.startswith("published-")]
    assert len(live) + len(made) + len(published) == len(CASES)
    assert len(live) >= 40
    assert len(made) >= 20


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name))
def test_recorded(case: Path) -> None:
    assert differences(case, PARSER) == []


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name))
def test_it_is_said_where_a_case_comes_from(case: Path) -> None:
    said = origin(case)
    assert said.startswith(case.name.partition("-")[0].replace("made", "made up"))
    assert "source: " in said
    assert "version: " in said
    assert "date: " in said
