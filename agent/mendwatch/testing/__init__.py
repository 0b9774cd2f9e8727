"""The tests that every storage system passes, ours and a third party's, for use in any test runner.

::

    from mendwatch.testing import check

    def test_contract():
        check(PARSER, Path(__file__).parent / "cases")

Below the folder each case has one of its own: ``poll.jsonl`` (a recording of one poll, as ``mendwatch record`` writes
it), ``expected.json`` (the published fields that the case looks at, with arrays and members by name) and
``origin.txt`` (where the output comes from, and whether it is live, published or made up).
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from mendwatch.model.plugin import Parser
from mendwatch.testing.cases import Case, read_cases
from mendwatch.testing.damage import survives_damage
from mendwatch.testing.reading import asks_only_to_read, declares_itself, says_when_nothing_was_read
from mendwatch.testing.understanding import gives_what_can_be_used, is_steady, understands_its_cases

RULES = (
    declares_itself,
    asks_only_to_read,
    understands_its_cases,
    gives_what_can_be_used,
    is_steady,
    says_when_nothing_was_read,
    survives_damage,
)
_SHOWN = 20


def check(parser: Parser, folder: Path) -> None:
    """Hold a storage system to all the rules.

    Args:
        parser: as its entry point names it.
        folder: holds its cases.

    Raises:
        AssertionError: it breaks some; each breach is a line.
    """
    found = faults(parser, read_cases(folder))
    if found:
        more = [f"... and {len(found) - _SHOWN} more"] if len(found) > _SHOWN else []
        raise AssertionError("\n".join((f"{len(found)} faults:", *found[:_SHOWN], *more)))


def faults(parser: Parser, cases: Sequence[Case]) -> list[str]:
    """Every breach of the rules in words, none if all is well."""
    # One that lacks its parts would break each of the others in the same way.
    first = [f"declares itself: {fault}" for fault in declares_itself(parser, cases)]
    if first:
        return first
    return [f"{rule.__name__.replace('_', ' ')}: {fault}" for rule in RULES for fault in rule(parser, cases)]


__all__ = ["RULES", "Case", "check", "faults", "read_cases"]
