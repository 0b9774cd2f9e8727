"""The one step that joins the stages: a poll of one source goes in, state, samples and alerts come out.

The daemon, ``replay``, ``demo`` and the tests all drive :func:`step`; only what stands at its two ends differs.
It does no I/O and reads no clock: time is the capture's. A source that could not be read is a capture whose reads
hold errors, so that a step is all there is.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime

from pydantic import TypeAdapter, ValidationError

from mendwatch import diagnosis, forecaster, policy
from mendwatch.diagnosis import DiagnosisState
from mendwatch.forecaster import ForecastState
from mendwatch.model.alert import Alert
from mendwatch.model.capture import Capture
from mendwatch.model.errors import HistoryError, ParseError
from mendwatch.model.observation import Observation, Role
from mendwatch.model.plugin import Parser
from mendwatch.model.policy import HostPolicy
from mendwatch.model.records import Finding, Forecast, Hours, RunRecord, Sample, SourceRecord
from mendwatch.model.state import ArrayState, Interval, Memory, RunState, Track, WindowState
from mendwatch.model.status import ArrayStatus, RunStatus
from mendwatch.model.store import Commit
from mendwatch.policy.limits import limit_s, usual_s
from mendwatch.tracker.drives import behind, known_drives, shared_drives
from mendwatch.tracker.runs import record as run_record
from mendwatch.tracker.track import track
from mendwatch.tracker.windows import record as window_record


@dataclass(frozen=True, slots=True)
class Mind:
    """What the forecaster and the diagnosis carry of one rebuild."""

    forecast: ForecastState
    diagnosis: DiagnosisState


@dataclass(frozen=True, slots=True)
class SourceState:
    """All that a step needs of the steps before it, for one source."""

    track: Track
    memory: Memory = field(default_factory=Memory)
    minds: dict[str, Mind] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Progress:
    """One poll of one running rebuild, with the array it belongs to."""

    array: str
    array_id: str
    sample: Sample


@dataclass(frozen=True, slots=True)
class Step:
    """What one poll came to.

    Attributes:
        commit: what the history must hold before anything is sent; its deliveries are added at the edge.
        progress: one entry for each rebuild that runs.
        busy: something rebuilds or a window is open: poll at the faster pace.
    """

    state: SourceState
    observation: Observation
    commit: Commit
    progress: tuple[Progress, ...]
    busy: bool


_STATE = TypeAdapter(SourceState)
UNREAD_SHOWN, UNREAD_WIDTH = 3, 200


def begin(source: str) -> SourceState:
    """The state before the first poll of a source."""
    return SourceState(Track(source))


def dump(state: SourceState) -> str:
    """The state as JSON."""
    return _STATE.dump_json(state).decode()


def load(text: str) -> SourceState:
    """The state that :func:`dump` wrote.

    Raises:
        HistoryError: the text is not such a state.
    """
    try:
        return _STATE.validate_json(text)
    except ValidationError as error:
        message = f"the stored state of a source cannot be read: {error.error_count()} problems"
        raise HistoryError(message) from error


def observe(capture: Capture, parser: Parser) -> Observation:
    """What the parser understood of a capture; what it could not is the observation's error."""
    try:
        return parser.parse(capture)
    except ParseError as error:
        return Observation(capture.at, capture.source, error=str(error), complete=False)


def step(state: SourceState, capture: Capture, parser: Parser, host: HostPolicy) -> Step:
    """Take one source one poll further."""
    observation = observe(capture, parser)
    tracked = track(state.track, observation, capture, host)
    minds: dict[str, Mind] = {}
    arrays: dict[str, ArrayState] = {}
    progress: list[Progress] = []
    for key, array in tracked.track.arrays.items():
        thought = _think(array, state.minds, capture, tracked.interval)
        arrays[key] = thought.array
        minds |= thought.minds
        progress += thought.progress
    followed = replace(tracked.track, arrays=arrays)
    memory, alerts = policy.judge(state.memory, followed, tracked.events, tracked.interval, host)
    after = SourceState(followed, memory, minds)
    commit = Commit(
        source=_source_record(followed, observation),
        state=dump(after),
        samples=tuple(entry.sample for entry in progress),
        runs=_with_thoughts(tracked.runs, arrays),
        windows=tracked.windows,
        alerts=alerts,
    )
    busy = any(array.window is not None or array.rebuilds for array in arrays.values())
    running = tuple(entry for entry in progress if entry.sample.running)
    return Step(after, observation, commit, running, busy)


@dataclass(frozen=True, slots=True)
class _Thought:
    array: ArrayState
    minds: dict[str, Mind]
    progress: list[Progress]


def _think(array: ArrayState, minds: dict[str, Mind], capture: Capture, interval: Interval) -> _Thought:
    """Project and diagnose each rebuild of an array that this poll has shown."""
    array = _with_drives(array, capture)
    thought = _Thought(array, {}, [])
    runs: list[RunState] = []
    for run in array.runs:
        mind = minds.get(run.id)
        if run.is_rebuild and run.active and run.seen == capture.at:
            mind, run, sample = _project(mind, run, array, capture, interval)  # noqa: PLW2901 - the same run, projected
            thought.progress.append(Progress(array.array.name, array.key, sample))
        if mind is not None:
            thought.minds[run.id] = mind
        runs.append(run)
    return replace(thought, array=replace(array, runs=tuple(runs)))


def _with_drives(array: ArrayState, capture: Capture) -> ArrayState:
    """What is known of the drives behind the members; a poll that did not look changes nothing."""
    if not capture.drives:
        return array
    suspects = diagnosis.suspect_lines(array.array, capture.drives, capture.links)
    return replace(array, drives=known_drives(array, capture), suspects=suspects)


def _project(
    mind: Mind | None, run: RunState, array: ArrayState, capture: Capture, interval: Interval
) -> tuple[Mind, RunState, Sample]:
    """One rebuild one poll further: its sample, its projection, and what holds it back."""
    before = mind or Mind(forecaster.begin(), diagnosis.begin())
    sample = _sample(run, array, interval.observed_s if run.polls > 1 else 0.0)
    diagnosing = diagnosis.update(before.diagnosis, sample, array.array)
    causes = diagnosis.findings(diagnosing, array.array, array.drives)
    week = forecaster.expected(array.load)
    forecasting = forecaster.update(before.forecast, sample, week.at(capture.at) if week is not None else 0.0)
    forecast = forecaster.forecast(forecasting, sample, _circumstances(array, run, week, causes))
    hours = _window_hours(array, run, forecast, capture.at)
    first = run.first_finish is None and forecast.finish is not None
    run = replace(
        run,
        forecast=forecast,
        window_hours=hours,
        causes=causes,
        first_finish=forecast.finish if first else run.first_finish,
        first_finish_at=capture.at if first else run.first_finish_at,
    )
    return Mind(forecasting, diagnosing), run, replace(sample, forecast=forecast, window_hours=hours, causes=causes)


def _circumstances(
    array: ArrayState, run: RunState, week: forecaster.Week | None, causes: tuple[Finding, ...]
) -> forecaster.Circumstances:
    usual, _ = usual_s(array)
    filled = [array.drives[name].rotational for name in run.fills if name in array.drives]
    return forecaster.Circumstances(
        usual_hours=usual / 3600 if usual is not None else None,
        week=week,
        causes=tuple(found.cause for found in causes),
        solid=bool(filled) and all(rotational is False for rotational in filled),
    )


def _window_hours(array: ArrayState, run: RunState, forecast: Forecast, at: datetime) -> Hours | None:
    """The length of the whole window as projected; None when none is open or this run will not close it."""
    window = array.window
    if window is None or forecast.finish is None or not _closes(array, window, run):
        return None
    ends = (forecast.finish.p10, forecast.finish.p50, forecast.finish.p90)
    p10, p50, p90 = (
        None if end is None else (window.elapsed_s + max(0.0, (end - at).total_seconds())) / 3600 for end in ends
    )
    return Hours(p10, p50, p90)


def _closes(array: ArrayState, window: WindowState, run: RunState) -> bool:
    """Whether the full level is back when this run ends well: it fills as many members as are lacking, everywhere."""
    lacking = window.full - window.level
    if lacking > max(1, len(run.fills)):
        return False
    counting = {Role.DATA, Role.SPECIAL, Role.DEDUP}
    for group in {member.group for member in array.array.members if member.role in counting}:
        members = [member for member in array.array.members if member.group == group]
        bad = sum(not member.good and not member.rebuilding and member.role in counting for member in members)
        filled = sum(member.name in run.fills for member in members)
        if bad > filled and run.fills:
            return False
    return True


def _with_thoughts(records: tuple[RunRecord, ...], arrays: dict[str, ArrayState]) -> tuple[RunRecord, ...]:
    """The records with what was projected and found at this poll."""
    runs = {run.id: run for array in arrays.values() for run in array.runs}
    return tuple(
        replace(
            entry,
            first_finish=runs[entry.id].first_finish,
            first_finish_at=runs[entry.id].first_finish_at,
            causes=runs[entry.id].causes,
        )
        if entry.id in runs
        else entry
        for entry in records
    )


def _source_record(followed: Track, observation: Observation) -> SourceRecord:
    return SourceRecord(
        source=followed.source,
        polled=observation.at,
        sighted=followed.sighted,
        error=followed.blind_error,
        unread=len(observation.unread),
        arrays=tuple(array.array.name for array in followed.arrays.values()),
        first_unread=tuple(replace(line, text=line.text[:UNREAD_WIDTH]) for line in observation.unread[:UNREAD_SHOWN]),
    )


def statuses(state_json: str, host: HostPolicy) -> tuple[ArrayStatus, ...]:
    """How the arrays of one source stand, from the state that the history holds."""
    state = load(state_json)
    standing = state.memory.standing.values()
    return tuple(
        _status(array, tuple(entry.alert for entry in standing if entry.alert.array_id == key), state.track, host)
        for key, array in sorted(state.track.arrays.items(), key=lambda item: item[1].array.name)
    )


def _status(array: ArrayState, standing: tuple[Alert, ...], followed: Track, host: HostPolicy) -> ArrayStatus:
    window = array.window
    full = window.full if window is not None else array.full
    usual, basis = usual_s(array)
    array_policy = host.for_array(array.array.name)
    return ArrayStatus(
        array=array.array,
        array_id=array.key,
        seen=array.seen,
        gone=array.absent_since is not None,
        redundancy_full=full,
        redundancy_left=array.left,
        window=window_record(window, array.key, array.array.name, followed.source) if window is not None else None,
        runs=tuple(_run_status(run, array, followed.source) for run in array.runs if run.active),
        limits_hours={level: limit_s(array_policy, array, level) / 3600 for level in range(full or 0)},
        clocks_hours={level: seconds / 3600 for level, seconds in window.clocks_s.items()} if window else {},
        usual_hours=usual / 3600 if usual is not None else None,
        usual_basis=basis,
        standing=standing,
        suspects=array.suspects,
        drives=behind(array),
        shared=shared_drives(array),
    )


def _run_status(run: RunState, array: ArrayState, source: str) -> RunStatus:
    sample = _sample(run, array, 0.0) if run.forecast is not None else None
    return RunStatus(run_record(run, array.key, array.array.name, source), sample, run.done, run.held)


def _sample(run: RunState, array: ArrayState, observed_s: float) -> Sample:
    """A rebuild as the latest poll shows it, with what was last projected."""
    return Sample(
        run=run.id,
        at=run.seen,
        elapsed_s=run.elapsed_s,
        observed_s=observed_s,
        done=run.done,
        done_bytes=run.done_bytes,
        total_bytes=run.total_bytes,
        native_finish=run.native_finish,
        redundancy_left=array.left,
        running=run.running,
        moved=run.moved,
        counters=run.counters,
        members=run.members,
        forecast=run.forecast,
        window_hours=run.window_hours,
        causes=run.causes,
    )
