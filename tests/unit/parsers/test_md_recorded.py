"""Recorded polls of Linux md: live and published ones, and others composed from the grammar of the kernel's md.c."""

from pathlib import Path

import pytest

from mendwatch.parsers.md import PARSER
from support.parser_cases import cases, differences, origin

CASES = cases("md")


def test_there_are_enough_cases_of_each_kind() -> None:
    kinds = {case.name.partition("-")[0] for case in CASES}
    assert kinds == {"live", "made", "published"}
    assert len(CASES) >= 30


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name))
def test_recorded(case: Path) -> None:
    assert differences(case, PARSER) == []


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name))
def test_it_is_said_where_a_case_comes_from(case: Path) -> None:
    said = origin(case)
    assert said.startswith(case.name.partition("-")[0])
    assert "source: " in said
    assert "date: " in said
