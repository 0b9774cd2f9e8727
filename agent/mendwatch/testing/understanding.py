"""Rules about what a storage system understands of its cases."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from copy import deepcopy
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from mendwatch.model.bounds import bounded
from mendwatch.model.capture import Capture, CommandRead
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import Parser
from mendwatch.parsers.printed import Printed
from mendwatch.reports import published
from mendwatch.sources.plugin_words import OBSERVATION, read_observation
from mendwatch.testing.cases import Case, differences, understood

# Times to come are left to the agent, which takes them for not known.
_LATER = datetime(9999, 1, 1, tzinfo=UTC)


def understands_its_cases(parser: Parser, cases: Sequence[Case]) -> Iterator[str]:
    """Each case is understood as its ``expected.json`` says; there is one, and it is said where it comes from."""
    if not cases:
        yield "there is no case"
    for case in cases:
        if case.capture.source != parser.name:
            yield f"{case.name}: is of the source {case.capture.source!r}"
        if not case.origin.strip():
            yield f"{case.name}: does not say where it comes from"
        if case.expected is not None:
            try:
                yield from differences(case, parser)
            except Exception as error:  # noqa: BLE001 - whatever it throws is the finding
                yield f"{case.name}: parse: {error!r}"


def gives_what_can_be_used(parser: Parser, cases: Sequence[Case]) -> Iterator[str]:
    """What is understood has the right types and is within bounds, and what is published of it reads back."""
    for case, seen in _seen(parser, cases):
        unexplained = [array.name for array in seen.arrays if array.redundancy_left is None and not array.why_unknown]
        if unexplained:
            yield f"{case.name}: does not say why the redundancy left of {', '.join(unexplained)} is not known"
            continue
        try:
            told = read_observation(OBSERVATION.dump_json(seen, warnings=False))
            held = replace(bounded(told, replace(case.capture, at=_LATER)), at=case.capture.at)
        except (ParseError, ValueError) as error:
            yield f"{case.name}: {error}"
            continue
        if held != seen:
            yield from (f"{case.name}: {line}" for line in _changed(seen, held))
            continue
        shown = _published(seen)
        poll = Capture(_LATER, seen.source, (CommandRead(("printed",), 0, json.dumps(shown)),))
        if _published(Printed(seen.source).parse(poll)) != shown:
            yield f"{case.name}: what is published of it is not read back as it was: {shown}"


def _published(seen: Observation) -> Any:
    """As JSON values, apart from the time of the poll."""
    return {key: value for key, value in json.loads(json.dumps(published.observation(seen))).items() if key != "at"}


def _changed(seen: Observation, held: Observation) -> Iterator[str]:
    if (seen.at, seen.source) != (held.at, held.source):
        yield f"is told as of {seen.source} at {seen.at}, and not as of the capture's source and time"
    if seen.error is not None and seen.complete:
        yield "calls itself complete beside an error"
    for array, other in zip(seen.arrays, held.arrays, strict=True):
        if array != other:
            parts = [name for name in array.__slots__ if getattr(array, name) != getattr(other, name)]
            yield f"{array.name}: out of bounds (controls in names, more than full): {', '.join(parts)}"
    if seen.unread != held.unread:
        yield "its unread lines are longer than 1000 characters, or hold control characters"


def is_steady(parser: Parser, cases: Sequence[Case]) -> Iterator[str]:
    """The same capture gives the same, and leaves the capture as it was; ids do not depend on the time."""
    for case, seen in _seen(parser, cases):
        kept = deepcopy(case.capture)
        if understood(parser, case.capture) != seen:
            yield f"{case.name}: another answer to the same capture"
        if case.capture != kept:
            yield f"{case.name}: parse changes the capture"
        later = understood(parser, replace(case.capture, at=case.capture.at + timedelta(days=1), up=None, boot=None))
        if [(array.id, array.id_kind) for array in later.arrays] != [(one.id, one.id_kind) for one in seen.arrays]:
            yield f"{case.name}: other ids on another day or after a reboot"


def _seen(parser: Parser, cases: Sequence[Case]) -> Iterator[tuple[Case, Observation]]:
    for case in cases:
        try:
            yield case, understood(parser, case.capture)
        except Exception:  # noqa: BLE001, S112 - it is told where the case is held against what is expected
            continue
