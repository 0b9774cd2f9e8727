"""Every storage system here passes the tests that plug-ins are given; a new one is held to them unasked."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from functools import cache, partial
from pathlib import Path

import pytest

from mendwatch.model.capture import Capture, CommandRead
from mendwatch.model.plugin import Parser
from mendwatch.sources import registry
from mendwatch.testing import RULES, Case, read_cases
from mendwatch.testing.damage import survives_damage
from support import parser_cases

PARSERS = registry.load().parsers
DAMAGES = 16  # to each of our many cases; the fuzz runs of their own do more
Rule = Callable[[Parser, Sequence[Case]], Iterator[str]]


@cache
def cases(name: str) -> list[Case]:
    folder = parser_cases.FOLDER / name
    return [*read_cases(folder), *(outputs(path) for path in sorted(folder.iterdir()) if list(path.glob("output.*")))]


def outputs(folder: Path) -> Case:
    """A case in the older form, the output of one command; what is understood of it is held elsewhere."""
    told = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
    (output,) = folder.glob("output.*")
    answer = CommandRead(tuple(told["argv"]), told["exit"], output.read_bytes().decode("utf-8"), told["stderr"])
    at = datetime.fromisoformat(told["at"])
    return Case(folder.name, Capture(at, folder.parent.name, (answer,), zone=told["zone"]), None, "held elsewhere")


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: str(rule.__name__))
@pytest.mark.parametrize("name", sorted(PARSERS))
def test_every_storage_system_keeps_every_rule(name: str, rule: Rule) -> None:
    held = partial(survives_damage, damages=DAMAGES) if rule is survives_damage else rule
    assert list(held(PARSERS[name], cases(name))) == []
