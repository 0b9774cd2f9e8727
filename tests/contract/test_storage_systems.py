"""Every storage system here passes the tests that plug-ins are given; a new one is held to them unasked.

Every recorded case is read and held against its expectation here, and where it comes from is held to its name.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import cache, partial

import pytest

from mendwatch.model.plugin import Parser
from mendwatch.sources import registry
from mendwatch.testing import RULES, Case, read_cases
from mendwatch.testing.damage import survives_damage
from support.recordings import FILES, RECORDED

PARSERS = registry.load().parsers
DAMAGES = 16  # to each of our many cases; the fuzz runs of their own do more
KINDS = {"live": "live", "made up": "made-up", "published": "published"}
Rule = Callable[[Parser, Sequence[Case]], Iterator[str]]


@cache
def cases(name: str) -> list[Case]:
    return read_cases(RECORDED / name)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: str(rule.__name__))
@pytest.mark.parametrize("name", sorted(PARSERS))
def test_every_storage_system_keeps_every_rule(name: str, rule: Rule) -> None:
    held = partial(survives_damage, damages=DAMAGES) if rule is survives_damage else rule
    assert list(held(PARSERS[name], cases(name))) == []


@pytest.mark.parametrize("name", sorted(PARSERS))
def test_every_case_says_whether_it_is_live_and_of_what(name: str) -> None:
    for case in cases(name):
        kind = next((kind for kind in KINDS if case.origin.startswith(kind)), None)
        assert kind is not None, case.name
        assert case.name.startswith(KINDS[kind]), case.name
        assert "\nsource: " in case.origin, case.name
        assert "\ndate: " in case.origin, case.name


def test_there_are_cases_of_all_systems_and_eras() -> None:
    counted = {name: Counter(case.origin.partition("\n")[0].split(":")[0] for case in cases(name)) for name in PARSERS}
    assert sum(kinds.total() for kinds in counted.values()) >= 120
    assert all(kinds["live"] >= 1 for kinds in counted.values())
    eras = {f"e{era}" for era in range(6)} | {"json"}
    assert {word for case in cases("zfs") for word in case.name.split("-") if word in eras} == eras
    assert len(FILES) == 27
