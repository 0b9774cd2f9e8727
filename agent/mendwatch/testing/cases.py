"""Recorded polls, each in its own folder: ``poll.jsonl`` (a recording of one poll), ``expected.json``, ``origin.txt``.

``expected.json`` names only the fields that the case looks at, of the published observation and of what the later
stages see besides.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from mendwatch.model.capture import Capture
from mendwatch.model.errors import ParseError, UsageError
from mendwatch.model.observation import Array, Observation
from mendwatch.model.plugin import Parser
from mendwatch.reports import published
from mendwatch.sources.recording import read_recording

INSIDE_AN_ARRAY = ("lost", "slots", "member_bytes", "notes", "remarks", "device", "aliases")
INSIDE_A_RUN = ("fills", "subject", "counters", "why_held", "end_share")


@dataclass(frozen=True, slots=True)
class Case:
    """One recorded poll.

    Attributes:
        expected: what must be understood of it; None where that is held elsewhere.
        origin: where it comes from.
    """

    name: str
    capture: Capture
    expected: Mapping[str, Any] | None
    origin: str


def read_cases(folder: Path) -> list[Case]:
    """All cases of a folder, by name; a folder without ``poll.jsonl`` is none.

    Raises:
        UsageError: one cannot be read.
    """
    return [read_case(path) for path in sorted(folder.iterdir()) if (path / "poll.jsonl").is_file()]


def read_case(folder: Path) -> Case:
    """One case.

    Raises:
        UsageError: it cannot be read.
    """
    try:
        expected = json.loads((folder / "expected.json").read_text(encoding="utf-8"))
        origin = (folder / "origin.txt").read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        message = f"{folder}: is no case: {error}"
        raise UsageError(message) from error
    return Case(folder.name, read_capture(folder), expected, origin)


def read_capture(folder: Path) -> Capture:
    """The poll of a case, read as any recording is.

    Raises:
        UsageError: there is not one poll in it.
    """
    lines = list(read_recording(folder / "poll.jsonl").lines)
    if len(lines) != 1 or not isinstance(lines[0], Capture):
        why = "; ".join(line.why for line in lines if not isinstance(line, Capture)) or f"{len(lines)} polls"
        message = f"{folder / 'poll.jsonl'}: must hold one poll: {why}"
        raise UsageError(message)
    return lines[0]


def understood(parser: Parser, capture: Capture) -> Observation:
    """What the parser makes of it, with the parse error as the reason why it makes nothing."""
    try:
        return parser.parse(capture)
    except ParseError as error:
        return Observation(capture.at, capture.source, error=str(error), complete=False)


def differences(case: Case, parser: Parser) -> list[str]:
    """Where the parser understands something else than it should; empty when all is well."""
    return _differ(case.expected, _told(understood(parser, case.capture)), case.name)


def _told(seen: Observation) -> dict[str, Any]:
    shown: Any = published.observation(seen)
    arrays = {array.name: _array(array, one) for array, one in zip(seen.arrays, shown["arrays"], strict=True)}
    return {**shown, "complete": seen.complete, "arrays": arrays}


def _array(array: Array, shown: dict[str, Any]) -> dict[str, Any]:
    inside = asdict(array)
    runs = [
        {**one, **{key: inside["activities"][number][key] for key in INSIDE_A_RUN}}
        for number, one in enumerate(shown["activities"] or ())
    ]
    members: dict[str, Any] = {}
    for member in shown["members"]:
        # A spare that is in use stands twice: in its group, and among the spares.
        taken = members.get(member["name"])
        again = taken is not None and taken["role"] != member["role"]
        members[f"{member['name']} as {member['role']}" if again else member["name"]] = member
    last = shown["last_activity"]
    if last is not None:
        began = inside["last_activity"]["started"]
        last = {**last, "started": began and published.rfc3339(began), "bytes": inside["last_activity"]["bytes"]}
    settings = {setting.name: [setting.value, setting.slows] for setting in array.settings}
    kept = {key: inside[key] for key in INSIDE_AN_ARRAY}
    activities = None if array.activities is None else runs
    return {**shown, **kept, "activities": activities, "last_activity": last, "members": members, "settings": settings}


def _differ(wanted: Any, told: Any, place: str) -> list[str]:
    if isinstance(wanted, dict) and isinstance(told, dict):
        # The names of arrays and members are compared as a whole, other fields only where they are asked for.
        by_name = place.endswith(("arrays", "members")) and set(wanted) != set(told)
        lines = [f"{place}: {sorted(told)}, not {sorted(wanted)}"] if by_name else []
        return lines + [line for key in wanted for line in _differ(wanted[key], told.get(key), f"{place}.{key}")]
    if isinstance(wanted, list) and isinstance(told, list | tuple) and len(wanted) == len(told):
        pairs = enumerate(zip(wanted, told, strict=True))
        return [line for number, (one, other) in pairs for line in _differ(one, other, f"{place}[{number}]")]
    if isinstance(wanted, float) and isinstance(told, int | float):
        return [] if abs(wanted - told) < 1e-6 * max(1.0, abs(wanted)) else [f"{place}: {told!r}, not {wanted!r}"]
    return [] if wanted == told else [f"{place}: {told!r}, not {wanted!r}"]
