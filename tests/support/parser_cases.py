"""Recorded polls, each in its own folder: ``poll.jsonl`` (a recording of one poll), ``expected.json``, ``origin.txt``.

``expected.json`` names only the fields that the case looks at, of the published observation and of what the later
stages see besides. The expectations were worked out by hand from the published sources, not from the parser.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from mendwatch.model.capture import Capture
from mendwatch.model.observation import Array, Observation
from mendwatch.model.plugin import Parser
from mendwatch.reports import published
from mendwatch.sources.recording import read_recording

FOLDER = Path(__file__).parent.parent / "recorded"
INSIDE_AN_ARRAY = ("lost", "slots", "member_bytes", "notes", "remarks", "device", "aliases")
INSIDE_A_RUN = ("fills", "subject", "counters", "why_held", "end_share")


def cases(system: str) -> list[Path]:
    """The folders of one storage system's cases."""
    return sorted(path for path in (FOLDER / system).iterdir() if path.is_dir())


def capture(case: Path) -> Capture:
    """The poll, read as any recording is."""
    (poll,) = read_recording(case / "poll.jsonl").lines
    assert isinstance(poll, Capture), poll
    return poll


def differences(case: Path, parser: Parser) -> list[str]:
    """Where the parser understood something else than it should; empty when all is well."""
    wanted = json.loads((case / "expected.json").read_text(encoding="utf-8"))
    return _differ(wanted, _told(parser.parse(capture(case))), case.name)


def origin(case: Path) -> str:
    """Where the case comes from."""
    return (case / "origin.txt").read_text(encoding="utf-8")


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
    members = {member["name"]: member for member in shown["members"]}
    settings = {setting.name: [setting.value, setting.slows] for setting in array.settings}
    kept = {key: inside[key] for key in INSIDE_AN_ARRAY}
    activities = None if array.activities is None else runs
    return {**shown, **kept, "activities": activities, "members": members, "settings": settings}


def _differ(wanted: Any, told: Any, place: str) -> list[str]:
    if isinstance(wanted, dict) and isinstance(told, dict):
        # The names of arrays and members are compared as a whole, other fields only where they are asked for.
        lines = (
            [f"{place}: {sorted(told)}"] if place.endswith(("arrays", "members")) and set(wanted) != set(told) else []
        )
        return lines + [line for key in wanted for line in _differ(wanted[key], told.get(key), f"{place}.{key}")]
    if isinstance(wanted, list) and isinstance(told, list | tuple) and len(wanted) == len(told):
        pairs = enumerate(zip(wanted, told, strict=True))
        return [line for number, (one, other) in pairs for line in _differ(one, other, f"{place}[{number}]")]
    if isinstance(wanted, float) and isinstance(told, int | float):
        return [] if abs(wanted - told) < 1e-6 * max(1.0, abs(wanted)) else [f"{place}: {told!r}, not {wanted!r}"]
    return [] if wanted == told else [f"{place}: {told!r}, not {wanted!r}"]
