"""The published schema of an observation and what we print are one and the same."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker

from mendwatch.cycle import observe
from mendwatch.model.capture import Capture
from mendwatch.model.observation import (
    Activity,
    ActivityKind,
    Array,
    Errors,
    IdKind,
    LastActivity,
    LastOutcome,
    Member,
    Observation,
    Role,
    Unread,
)
from mendwatch.reports import published
from mendwatch.sources import registry
from mendwatch.sources.recording import merge, read_recording
from support.recordings import FILES

ROOT = Path(__file__).parents[2]
SCHEMA: dict[str, Any] = json.loads((ROOT / "config/observation.schema.json").read_text(encoding="utf-8"))
FORMATS = FormatChecker(())
VALIDATOR = Draft202012Validator(SCHEMA, format_checker=FORMATS)
AT = datetime(2026, 3, 1, 2, 3, 4, 500_000, tzinfo=UTC)
FULL = Observation(
    at=AT,
    source="md",
    arrays=(
        Array(
            name="md0",
            id="0e7a",
            id_kind=IdKind.ARRAY_UUID,
            system="md",
            level="raid5",
            state="active",
            redundancy_full=1,
            redundancy_left=0,
            why_unknown=None,
            spares_free=0,
            data_errors=None,
            members=(Member("sdb1", Role.DATA, None, "sdb", "in_sync", good=True, rebuilding=False, errors=Errors(0)),),
            activities=(Activity(ActivityKind.REBUILD, "recover", running=True, done=0.25, started=AT),),
            last_activity=LastActivity(ActivityKind.SCRUB, "scrub", LastOutcome.FINISHED, ended=AT, errors=0),
        ),
    ),
    unread=(Unread(3, "???"),),
)


@FORMATS.checks("date-time", raises=ValueError)
def is_utc_time(text: object) -> bool:
    """RFC 3339 in UTC, as we write it."""
    return not isinstance(text, str) or (text.endswith("Z") and datetime.fromisoformat(text).tzinfo is not None)


def faults(line: object) -> list[str]:
    return sorted(error.json_path for error in VALIDATOR.iter_errors(line))


def keys_of(value: object, schema: dict[str, Any]) -> list[tuple[set[str], set[str]]]:
    """The keys of each object as published, beside those that the schema has."""
    if "$ref" in schema:
        return keys_of(value, SCHEMA["$defs"][schema["$ref"].removeprefix("#/$defs/")])
    if "anyOf" in schema:
        return keys_of(value, schema["anyOf"][0])
    if isinstance(value, dict):
        pairs = [(set(value), set(schema["properties"]))]
        for key, inner in value.items():
            pairs += keys_of(inner, schema["properties"].get(key, {}))
        return pairs
    if isinstance(value, list):
        return [pair for item in value for pair in keys_of(item, schema["items"])]
    return []


def test_every_published_key_is_in_the_schema_and_no_other() -> None:
    pairs = keys_of(published.observation(FULL), SCHEMA)
    assert len(pairs) == 7  # the observation, array, member, its errors, activity, last activity, unread line
    for printed, declared in pairs:
        assert printed == declared


@pytest.mark.parametrize(
    ("path", "words"),
    [
        (("array", "id_kind"), IdKind),
        (("member", "role"), Role),
        (("activity", "kind"), ActivityKind),
        (("last_activity", "kind"), ActivityKind),
        (("last_activity", "outcome"), LastOutcome),
    ],
)
def test_the_schema_knows_every_word_of_ours(path: tuple[str, str], words: type) -> None:
    table, key = path
    assert SCHEMA["$defs"][table]["properties"][key]["enum"] == [word.value for word in words]  # type: ignore[attr-defined]


@pytest.mark.parametrize("recording", [*FILES.values()], ids=lambda file: file.name)
def test_what_is_understood_of_a_recording_fits_the_schema(recording: Path) -> None:
    parsers = registry.load().parsers
    seen = 0
    for capture in merge([read_recording(recording)]):
        if not isinstance(capture, Capture) or capture.source not in parsers:
            continue
        seen += 1
        if seen % 25 == 1:
            line = json.loads(json.dumps(published.observation(observe(capture, parsers[capture.source]))))
            assert faults(line) == []
    assert seen


def test_the_check_itself_finds_faults() -> None:
    line: dict[str, Any] = json.loads(json.dumps(published.observation(FULL)))
    line["at"] = "yesterday"
    line["arrays"][0]["id_kind"] = "serial"
    line["arrays"][0]["members"][0]["good"] = None
    del line["arrays"][0]["activities"][0]["done"]
    assert faults(line) == ["$.arrays[0].activities[0]", "$.arrays[0].id_kind", "$.arrays[0].members[0].good", "$.at"]
