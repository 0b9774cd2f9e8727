"""What a program of the owner's prints is understood as the schema in config/ has it, and refused with its place."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from mendwatch.model.capture import Capture, CommandRead, FileRead
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import ActivityKind, IdKind, Observation, Role, Unread
from mendwatch.model.plugin import Command
from mendwatch.parsers.printed import Printed, prints_itself
from mendwatch.reports import published

AT = datetime(2026, 3, 1, 2, 3, 4, tzinfo=UTC)
PROGRAM = Printed("trays", ("trays-observation", "--all"))
SCHEMA = json.loads((Path(__file__).parents[3] / "config/observation.schema.json").read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA)
MEMBER = {"name": "t1", "role": "data", "group": None, "drive": "sdd", "state": "ok", "good": True, "rebuilding": False}
ERRORS = {"read": 0, "write": None, "checksum": 3}
RUN = {"kind": "rebuild", "word": "refill", "running": True, "waiting": False, "paused": False, "started": None}
FIGURES = {"done": 0.25, "done_bytes": 25, "total_bytes": 100, "native_seconds_left": 7.5, "errors": 0}
LAST = {"kind": "scrub", "word": "patrol", "outcome": "finished", "ended": "2026-02-28T00:00:00Z", "errors": None}
FULL: dict[str, Any] = {
    "type": "observation",
    "at": "2026-03-01T02:03:04Z",
    "source": "trays",
    "arrays": [
        {
            "name": "shelf",
            "id": "7e57",
            "id_kind": "array-uuid",
            "system": "trays",
            "level": "mirror",
            "state": "thin",
            "redundancy_full": 1,
            "redundancy_left": 0,
            "why_unknown": None,
            "spares_free": 1,
            "data_errors": 0,
            "activities": [{**RUN, **FIGURES}],
            "last_activity": LAST,
            "members": [
                {**MEMBER, "errors": ERRORS},
                {**MEMBER, "name": "t2", "good": False, "rebuilding": True, "errors": None},
            ],
        }
    ],
    "unread": [{"line": 3, "text": "???"}],
    "error": None,
}


def poll(text: str, code: int | None = 0, stderr: str = "", error: str | None = None) -> Capture:
    return Capture(AT, "trays", (CommandRead(("trays-observation", "--all"), code, text, stderr, 0.1, error),))


def understood(text: str) -> Observation:
    return PROGRAM.parse(poll(text))


def with_array(**changed: object) -> str:
    return json.dumps({"arrays": [{**FULL["arrays"][0], **changed}]})


def refusal(capture: Capture) -> str:
    with pytest.raises(ParseError) as raised:
        PROGRAM.parse(capture)
    return str(raised.value)


def test_the_program_is_run_once_a_poll() -> None:
    assert PROGRAM.program == "trays-observation"
    assert PROGRAM.wants(()) == (Command(("trays-observation", "--all")),)
    assert PROGRAM.wants(poll("").reads) == ()
    assert Printed("trays").program is None
    assert Printed("trays").wants(()) == ()


def test_what_we_publish_ourselves_is_understood_and_published_again_as_it_was() -> None:
    assert list(VALIDATOR.iter_errors(FULL)) == []
    assert json.loads(json.dumps(published.observation(understood(json.dumps(FULL))))) == FULL


def test_what_the_later_stages_need_is_taken_from_it() -> None:
    (array,) = understood(json.dumps(FULL)).arrays
    (run,) = array.activities or ()
    assert run.fills == ("t2",)
    assert run.counters == {"done_bytes": 25, "done_ppm": 250_000}
    assert not array.lost
    (lost,) = understood(with_array(redundancy_left=-1)).arrays
    assert lost.lost
    (held,) = understood(with_array(activities=[{"kind": "scrub", "running": False, "waiting": True}])).arrays
    assert [(one.why_held, one.fills) for one in held.activities or ()] == [("waiting", ())]


def test_little_is_enough_and_what_is_not_said_is_not_known() -> None:
    seen = understood('{"arrays": [{"name": "shelf", "state": "thin"}]}')
    (array,) = seen.arrays
    assert (seen.at, seen.source, seen.complete, seen.error) == (AT, "trays", True, None)
    assert (array.id, array.id_kind, array.system) == ("shelf", IdKind.NAME, "trays")
    assert (array.redundancy_left, array.why_unknown) == (None, "no reason was told")
    assert (array.activities, array.last_activity, array.members) == (None, None, ())
    (array,) = understood(
        with_array(
            activities=[{"kind": "rebuild", "running": True}], members=[{"name": "t1", "state": "ok", "good": True}]
        )
    ).arrays
    assert [run.word for run in array.activities or ()] == ["rebuild"]
    assert array.members[0].role is Role.DATA


def test_an_error_is_said_and_makes_what_was_seen_incomplete() -> None:
    seen = understood('{"arrays": [], "error": "the shelf does not answer"}')
    assert (seen.error, seen.complete) == ("the shelf does not answer", False)


def test_unknown_keys_are_ignored_and_a_whole_number_may_have_a_point() -> None:
    (array,) = understood(with_array(redundancy_left=0.0, colour="red")).arrays
    assert array.redundancy_left == 0
    assert type(array.redundancy_left) is int


def test_of_several_lines_the_last_counts_and_one_object_may_take_several() -> None:
    first, last = (json.dumps({"arrays": [{"name": name, "state": "ok"}]}) for name in ("old", "new"))
    assert [array.name for array in understood(f"{first}\n{last}\n").arrays] == ["new"]
    assert [array.name for array in understood(json.dumps(json.loads(last), indent=4)).arrays] == ["new"]
    assert understood(f"starting up\n{last}").arrays[0].name == "new"
    assert "Invalid JSON" in refusal(poll(f"{first}\n{last[:-9]}"))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "trays-observation printed nothing"),
        ("all is well", "not an observation as the schema has it: Invalid JSON"),
        ("[]", "should be an object"),
        ("{}", "arrays: Field required"),
        ('{"arrays": [{"name": "shelf"}]}', "arrays.0.state: Field required"),
        ('{"arrays": [{}]}', "arrays.0.name: Field required (and 1 more)"),
        (with_array(redundancy_left="0"), "arrays.0.redundancy_left: "),
        (with_array(redundancy_left=0.5), "arrays.0.redundancy_left: "),
        (with_array(redundancy_left=True), "arrays.0.redundancy_left: "),
        (with_array(redundancy_left=float("nan")), "arrays.0.redundancy_left: "),
        (with_array(data_errors=-1), "arrays[0].data_errors: -1 is negative"),
        (with_array(data_errors=10**30), "arrays[0].data_errors: out of range"),
        (with_array(members=[{**MEMBER, "good": "yes"}]), "arrays.0.members.0.good: "),
        (with_array(members=[{**MEMBER, "role": "boss"}]), "arrays.0.members.0.role: "),
        (with_array(activities=[{**RUN, "done": 42.5}]), "arrays[0].activities[0].done: 42.5 is no share"),
        (with_array(activities=[{**RUN, "started": "yesterday"}]), "arrays.0.activities.0.started: "),
        (with_array(activities=[{**RUN, "started": "2026-03-01T00:00:00"}]), "timezone"),
        (
            with_array(last_activity={**LAST, "ended": "0001-01-01T00:00:00+14:00"}),
            "last_activity.ended: a time out of",
        ),
        (json.dumps({"arrays": [*FULL["arrays"], *FULL["arrays"]]}), "arrays[1].id: '7e57' is the id of another"),
        (json.dumps({"arrays": [{"name": "a", "state": ""}] * 10_001}), "arrays: Tuple should have at most 10000"),
        ('{"arrays": [{"name": "\\ud800", "state": ""}]}', "Invalid JSON"),
        (json.dumps({"arrays": [], "note": "x" * (2 << 20)}), "printed more than 2097152 characters"),
    ],
)
def test_what_is_no_observation_is_refused_with_its_place(text: str, why: str) -> None:
    assert why in refusal(poll(text))


def test_only_what_a_program_prints_before_a_good_end_counts() -> None:
    good = json.dumps(FULL)
    assert refusal(poll(good, 1, "no shelf\nat all")) == "trays-observation failed with exit code 1: no shelf"
    assert refusal(poll(good, 3)) == "trays-observation failed with exit code 3"
    assert refusal(poll(good, None, error="no answer within 20 s")) == "no answer within 20 s"
    assert "gave no answer" in refusal(poll(good, None))
    assert "no output of a program" in refusal(Capture(AT, "trays", (FileRead("/proc/trays", good),)))


def test_what_was_so_once_is_not_believed_for_ever() -> None:
    def aged(age: timedelta) -> Capture:
        return poll(json.dumps({**FULL, "at": (AT - age).isoformat()}))

    assert PROGRAM.parse(aged(timedelta(minutes=15))).arrays
    assert PROGRAM.parse(aged(timedelta(days=-3))).at == AT, "its clock is ahead, or its zone is wrong"
    assert refusal(aged(timedelta(minutes=16))) == "what it prints is 16 minutes old"


def test_names_do_not_steer_a_terminal_and_are_of_bounded_length() -> None:
    (array,) = understood(with_array(name="\x1b[2Jshelf", state="s" * 5000)).arrays
    assert (array.name, len(array.state)) == ("?[2Jshelf", 1000)
    seen = understood('{"arrays": [], "unread": [{"line": 1, "text": "x"}]}')
    assert (seen.unread, seen.complete) == ((Unread(1, "x"),), False)


def test_a_recorded_poll_of_such_a_program_is_known_by_what_it_holds() -> None:
    assert prints_itself(poll(" \n" + json.dumps(FULL)))
    assert not prints_itself(poll("shelf: ok"))
    assert not prints_itself(poll('{"pools": {}}'))
    assert not prints_itself(Capture(AT, "trays", (FileRead("/proc/trays", json.dumps(FULL)),)))
    assert not prints_itself(Capture(AT, "trays"))


values = st.one_of(st.none(), st.booleans(), st.integers(-3, 3), st.floats(0, 1), st.sampled_from(["", "x", [], {}]))


def places(value: object, here: tuple[str | int, ...] = ()) -> list[tuple[str | int, ...]]:
    """Every key and entry of a JSON document."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [place for key, item in inner for place in ((*here, key), *places(item, (*here, key)))]


@given(st.sampled_from(places(FULL)), values, st.booleans())
def test_whatever_fits_the_schema_is_understood(place: tuple[str | int, ...], value: object, leave_out: bool) -> None:
    document = json.loads(json.dumps(FULL))
    here = document
    for step in place[:-1]:
        here = here[step]
    if leave_out and isinstance(here, dict):
        del here[place[-1]]
    else:
        here[place[-1]] = value
    fits = VALIDATOR.is_valid(document)
    try:
        seen = understood(json.dumps(document))
    except ParseError as error:
        # Names, words and ids may not be empty; a time is text to the schema's checker without its formats.
        may_be_refused = value == "" or place[-1] in {"at", "ended", "started"}
        assert not fits or may_be_refused, (document, str(error))  # noqa: PT017 - the error is the finding
    else:
        assert VALIDATOR.is_valid(json.loads(json.dumps(published.observation(seen))))
        assert all(run.kind in ActivityKind for array in seen.arrays for run in array.activities or ())
