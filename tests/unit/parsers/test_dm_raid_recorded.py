"""Recorded polls of device-mapper RAID: live ones from a real capture, others composed from the grammars."""

from pathlib import Path

import pytest

from mendwatch.parsers.dm_raid import PARSER
from support.parser_cases import cases, differences, origin

CASES = cases("dm-raid")


def test_there_are_enough_cases_of_both_kinds() -> None:
    kinds = [case.name.partition("-")[0] for case in CASES]
    assert set(kinds) == {"live", "made", "published"}
    assert kinds.count("live") >= 10
    assert len(CASES) >= 40


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name))
def test_recorded(case: Path) -> None:
    assert differences(case, PARSER) == []


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name))
def test_it_is_said_where_a_case_comes_from(case: Path) -> None:
    said = origin(case)
    assert said.startswith(("live", "published") if case.name.startswith(("live", "published")) else "made up")
    assert "source: " in said
    assert "date: " in said
