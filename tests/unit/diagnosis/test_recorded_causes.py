"""The causes held against real rebuilds with a known cause, and against invented ones."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime, timedelta

import pytest
from pydantic import TypeAdapter

from mendwatch.diagnosis import DiagnosisState, begin, findings, update
from mendwatch.model.records import Cause, Finding
from mendwatch.simulator import Kind, Scenario, captures
from support.rebuild_samples import WITH_COUNTERS, Step, moment, recorded, steps
from support.recordings import truth

STATE = TypeAdapter(DiagnosisState)
# After a cause has ended its means fade over some polls; what is said then is the cause that just was.
FADES = timedelta(seconds=70)


def judged(played: Iterable[Step]) -> Iterator[tuple[datetime, tuple[Finding, ...]]]:
    state = begin()
    for step in played:
        state = update(state, step.sample, step.array)
        yield step.sample.at, findings(state, step.array)


@pytest.mark.parametrize("name", WITH_COUNTERS)
def test_a_recorded_cause_is_named_rightly_or_not_at_all(name: str) -> None:
    known = truth(name)
    inside, outside = Counter[str](), Counter[str]()
    members = set()
    for at, found in judged(steps(recorded(name), known["array"])):
        causes = {one.cause.value for one in found}
        began, ended = known["cause_began"], known["cause_ended"]
        if began and moment(began) <= at <= moment(ended) + FADES:
            inside.update(causes or {"none"})
            members |= {one.member for one in found}
        else:
            outside.update(causes)
    assert outside == Counter()
    assert set(inside) <= {known["cause"], "none"}
    if known["cause"] is not None:
        assert inside[known["cause"]] > inside["none"]
        assert members <= {known["cause_member"], None}


@pytest.mark.parametrize("name", WITH_COUNTERS)
def test_without_the_drives_counters_no_cause_is_guessed(name: str) -> None:
    bare = (replace(poll, disks={}, partitions={}) for poll in recorded(name))
    assert {one.cause for _, found in judged(steps(bare, truth(name)["array"])) for one in found} == set()


@pytest.mark.parametrize("system", ["zfs", "md"])
@pytest.mark.parametrize(
    ("kind", "cause"),
    [
        (Kind.HEALTHY, None),
        (Kind.SHINGLED, Cause.SHINGLED_WRITER),
        (Kind.THROTTLED, Cause.THROTTLED),
        (Kind.STALLED, Cause.NOT_MOVING),
    ],
)
def test_an_invented_rebuild_shows_its_cause(kind: Kind, cause: Cause | None, system: str) -> None:
    start = Scenario().start
    scenario = Scenario(kind=kind, system=system, seed=4, until=start + timedelta(hours=12))
    seen = Counter(
        found[0].cause if found else None for _, found in judged(steps(captures(scenario), scenario.array_name))
    )
    assert set(seen) <= {cause, None}
    assert seen[cause] > 50


def test_a_frozen_recovery_is_not_moving_once_it_has_stood_for_long() -> None:
    (*_, last) = steps(recorded("md-6.12-healthy-A"), "md0")
    state = begin()
    for number in range(14):
        still = replace(last.sample, observed_s=30.0, moved=number == 0, members=())
        state = update(state, still, last.array)
    assert [one.cause for one in findings(state, last.array)] == [Cause.NOT_MOVING]


def test_what_the_storage_system_holds_itself_is_said_at_once() -> None:
    (first, *_) = steps(recorded("md-6.12-healthy-A"), "md0")
    assert first.array.activities
    waiting = replace(first.array.activities[0], running=False, waiting=True, why_held="resync=DELAYED")
    array = replace(first.array, activities=(waiting,))
    (found,) = findings(update(begin(), first.sample, array), array)
    assert found.cause is Cause.NOT_MOVING
    assert "resync=DELAYED" in found.evidence


def test_a_gap_is_no_standstill() -> None:
    (*_, last) = steps(recorded("md-6.12-healthy-A"), "md0")
    state = begin()
    for _ in range(100):
        state = update(state, replace(last.sample, observed_s=0.0, moved=False), last.array)
    assert findings(state, last.array) == ()


def test_the_state_survives_storage() -> None:
    state = begin()
    for step in steps(recorded("zfs-2.3-collapse-A"), "vault"):
        state = update(state, step.sample, step.array)
    assert STATE.validate_json(STATE.dump_json(state)) == state
    assert len(STATE.dump_json(state)) < 2048
