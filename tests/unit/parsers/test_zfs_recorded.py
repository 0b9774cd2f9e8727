"""Recorded outputs of ``zpool status``, each beside what is to be understood from it and where it comes from.

The expectations were worked out by hand from the published source named in each ``origin.txt``, not from the parser.
``"*"`` stands for any text or number, a missing key for a field that the case does not look at.
"""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from mendwatch.model.capture import Capture, CommandRead
from mendwatch.model.observation import Array, Observation
from mendwatch.parsers.zfs import PARSER
from mendwatch.reports import published
from support import parser_cases

FOLDERS = parser_cases.cases("zfs")
CASES = [case for case in FOLDERS if not (case / "poll.jsonl").exists()]
POLLS = [case for case in FOLDERS if case not in CASES]


def _read(case: Path) -> tuple[dict[str, Any], Observation]:
    wanted = json.loads((case / "expected.json").read_text(encoding="utf-8"))
    (output,) = case.glob("output.*")
    # Newlines as printed: some cases hold control characters.
    stdout = output.read_bytes().decode("utf-8")
    answer = CommandRead(tuple(wanted["argv"]), wanted["exit"], stdout, wanted["stderr"])
    return wanted, PARSER.parse(Capture(datetime.fromisoformat(wanted["at"]), "zfs", (answer,), zone=wanted["zone"]))


def _told(array: Array, shown: Any) -> dict[str, Any]:
    """The published fields, and those that only later stages see."""
    activities = [
        {**one, "fills": [*activity.fills], "subject": activity.subject, "why_held": activity.why_held}
        for one, activity in zip(shown["activities"] or [], array.activities or (), strict=True)
    ]
    last = shown["last_activity"]
    if last is not None and array.last_activity is not None:
        began = array.last_activity.started
        last = {**last, "started": published.rfc3339(began) if began else None, "bytes": array.last_activity.bytes}
    kept = {"slots": array.slots, "lost": array.lost, "member_bytes": array.member_bytes}
    return {**shown, **kept, "activities": activities, "last_activity": last}


def _differences(wanted: Any, told: Any, place: str) -> list[str]:
    if wanted == "*":
        return [] if told is not None else [f"{place}: nothing is told"]
    if isinstance(wanted, dict) and isinstance(told, dict):
        return [line for key in wanted for line in _differences(wanted[key], told.get(key), f"{place}.{key}")]
    if isinstance(wanted, list) and isinstance(told, list) and len(wanted) == len(told):
        pairs = enumerate(zip(wanted, told, strict=True))
        return [line for number, (one, other) in pairs for line in _differences(one, other, f"{place}[{number}]")]
    if isinstance(wanted, float) and isinstance(told, int | float):
        return [] if told == pytest.approx(wanted, abs=1e-6) else [f"{place}: {told!r}, not {wanted!r}"]
    return [] if wanted == told else [f"{place}: {told!r}, not {wanted!r}"]


def test_there_are_cases_of_every_era() -> None:
    eras = {case.name.split("-")[0] for case in CASES}
    assert {"e0", "e1", "e2", "e3", "e4", "e5", "json", "live"} <= eras
    assert len(CASES) >= 25


@pytest.mark.parametrize("case", CASES, ids=lambda case: str(case.name))
def test_recorded(case: Path) -> None:
    wanted, seen = _read(case)
    shown: Any = published.observation(seen)
    told = {
        "unread": shown["unread"],
        "error": shown["error"],
        "complete": seen.complete,
        "arrays": [_told(array, one) for array, one in zip(seen.arrays, shown["arrays"], strict=True)],
    }
    checked = {key: wanted[key] for key in told if wanted[key] != "any"}
    assert _differences(checked, told, case.name) == []
    assert (case / "origin.txt").read_text(encoding="utf-8").startswith(("live", "made up"))


@pytest.mark.parametrize("case", POLLS, ids=lambda case: str(case.name))
def test_recorded_poll(case: Path) -> None:
    assert parser_cases.differences(case, PARSER) == []
    assert parser_cases.origin(case).startswith(("live", "made up", "published"))
