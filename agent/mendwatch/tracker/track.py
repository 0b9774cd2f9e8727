"""One poll further: which arrays there are, what runs on them, and what is left of their redundancy."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from mendwatch.model.alert import Fact
from mendwatch.model.capture import Capture
from mendwatch.model.load import UsualLoad
from mendwatch.model.observation import Activity, Array, Errors, LastActivity, Observation, Role
from mendwatch.model.policy import ArrayPolicy, HostPolicy
from mendwatch.model.records import Outcome, RunRecord, WindowRecord
from mendwatch.model.state import ArrayState, Event, EventKind, Interval, Moment, RunState, Track
from mendwatch.tracker import drives, identity, intervals, layout, load, runs, windows

USUAL_KEPT = 8
USUAL_LEAST_POLLS = 5
USUAL_BEGAN_AT_MOST = 0.05


@dataclass(frozen=True, slots=True)
class Tracked:
    """What one poll came to: the next state, what happened, and what the history should now say."""

    track: Track
    interval: Interval
    events: tuple[Event, ...] = ()
    runs: tuple[RunRecord, ...] = ()
    windows: tuple[WindowRecord, ...] = ()


def track(before: Track, observation: Observation, capture: Capture, policy: HostPolicy) -> Tracked:
    """Take what is followed of one source one poll further."""
    now = Moment(capture.at, capture.boot, capture.up)
    interval = intervals.between(before.last, now, before.pace_s)
    arrays = dict(before.arrays)
    events: list[Event] = []
    run_records: list[RunRecord] = []
    window_records: list[WindowRecord] = []
    shown: set[str] = set()
    for observed in observation.arrays:
        array_policy = policy.for_array(observed.name)
        if not array_policy.watch:
            continue
        state = identity.find(observed, arrays)
        key = state.key if state is not None else identity.key_for(observed, arrays)
        shown.add(key)
        followed = _follow(key, state, observed, capture, now, interval, array_policy, before.source)
        arrays[key] = followed.state
        events += followed.events
        run_records += followed.runs
        window_records += followed.windows
    if observation.error is None and observation.complete:
        for key, state in arrays.items():
            if key not in shown:
                arrays[key] = _absent(state, now, interval)
    blind_error = _blindness(observation, before, shown)
    after = replace(
        before,
        last=now,
        pace_s=intervals.paces(before.pace_s, interval),
        arrays=arrays,
    )
    if blind_error is None:
        if before.blind_since is not None:
            events.append(Event(EventKind.SIGHTED, "", facts={"blind_hours": before.blind_s / 3600}))
        after = replace(after, sighted=now.at, blind_since=None, blind_s=0.0, blind_error=None)
    else:
        blind_s = before.blind_s + interval.observed_s if before.blind_since is not None else 0.0
        after = replace(after, blind_since=before.blind_since or now.at, blind_s=blind_s, blind_error=blind_error)
    return Tracked(after, interval, tuple(events), tuple(run_records), tuple(window_records))


def _blindness(observation: Observation, before: Track, shown: set[str]) -> str | None:
    """Why this poll could not be judged, None if it could."""
    if observation.error is not None:
        return observation.error
    if observation.unread and not observation.arrays and before.arrays:
        first = observation.unread[0]
        return f"the output was not understood, from line {first.line}: {first.text[:80]!r}"
    for array in observation.arrays:
        state = identity.find(array, before.arrays)
        known = state is not None and state.key in shown and state.left is not None
        if array.redundancy_left is None and known and not array.lost and not array.partial:
            return f"{array.name}: {array.why_unknown or 'the redundancy left is not told'}"
    return None


@dataclass(frozen=True, slots=True)
class _Followed:
    state: ArrayState
    events: tuple[Event, ...]
    runs: tuple[RunRecord, ...]
    windows: tuple[WindowRecord, ...]


def _follow(
    key: str,
    before: ArrayState | None,
    observed: Array,
    capture: Capture,
    now: Moment,
    interval: Interval,
    policy: ArrayPolicy,
    source: str,
) -> _Followed:
    array = identity.carry_over(before.array, observed) if before is not None else observed
    state = before or ArrayState(key, array, identity.identity(array), now.at, now.at)
    events: list[Event] = []
    full = layout.capped(array.redundancy_full, policy.redundancy_full)
    left = windows.left_now(array)

    change = layout.step(key, state, array, full, left)
    events += change.events
    windowed = windows.step(key, state.window, left, change.full, now, interval, first=before is None)
    events += windowed.events

    ran = _Runs(key, state, array, capture, now, interval)
    ran.full = windowed.window.full if windowed.window is not None else change.full
    if observed.activities is not None:
        ran.take(array.activities or (), first=before is None)
    elif observed.last_activity is not None:
        ran.take_ended(observed.last_activity)
    events += ran.events
    window = windowed.window
    if window is not None:
        window = replace(
            window,
            rebuilds=(*window.rebuilds, *(r.id for r in ran.runs if r.is_rebuild and r.id not in window.rebuilds)),
            restarts=window.restarts + ran.restarts,
            waiting_s=0.0 if any(r.is_rebuild for r in ran.runs) else window.waiting_s + interval.steady_s,
        )
    window_now = window or windowed.closed
    current = [replace(r, window=r.window or window_now.id) if window_now and r.is_rebuild else r for r in ran.runs]
    events += _damage(key, state, array, before) + _gained_errors(key, state, array, current)
    records = [runs.record(run, key, array.name, source) for run in current] + [
        runs.record(run, key, array.name, source, Outcome.RESTARTED) for run in ran.started_over
    ]
    over = [run for run in current if runs.is_over(run)]
    events += [Event(EventKind.RUN_OVER, key, run=run, window=window_now) for run in over]
    after = replace(
        state,
        array=array,
        known_as=identity.identity(array),
        seen=now.at,
        boot=now.boot,
        absent_s=0.0,
        absent_since=None,
        rebooted_since=False,
        full=change.full,
        layout_full=full,
        slots=array.slots,
        left=left if left is not None else state.left,
        window=window,
        runs=tuple(run for run in current if not runs.is_over(run)),
        last=array.last_activity,
        usual_hours=(*state.usual_hours, *(r.elapsed_s / 3600 for r in over if _is_usual(r)))[-USUAL_KEPT:],
        errors={**state.errors, **{m.name: m.errors for m in array.members if m.errors is not None}},
        counters={**drives.member_counters(array, capture)} or state.counters,
        load=_load(state, array, capture, interval, now, quiet=not current and not ran.started_over),
    )
    kept = [w for w in (window, windowed.closed) if w is not None]
    return _Followed(
        after, tuple(events), tuple(records), tuple(windows.record(w, key, array.name, source) for w in kept)
    )


def _load(
    state: ArrayState, array: Array, capture: Capture, interval: Interval, now: Moment, *, quiet: bool
) -> UsualLoad:
    """What others ask of the drives, learnt while nothing of the array's own keeps them busy."""
    if not quiet or state.runs or not state.counters:
        return state.load
    did = drives.member_samples(array, capture, state.counters, interval.observed_s, ())
    return load.learn(state.load, now.at, did, interval.observed_s)


class _Runs:
    """The runs of one array, taken one poll further."""

    def __init__(
        self, key: str, state: ArrayState, array: Array, capture: Capture, now: Moment, interval: Interval
    ) -> None:
        self.key = key
        self.state = state
        self.array = array
        self.capture = capture
        self.now = now
        self.interval = interval
        self.full: int | None = None
        self.runs: list[RunState] = list(state.runs)
        self.started_over: list[RunState] = []
        self.events: list[Event] = []
        self.restarts = 0

    def take(self, activities: tuple[Activity, ...], *, first: bool) -> None:
        """Match what runs now with what ran before; whatever is left over has begun or is ending."""
        known = list(self.state.runs)
        after: list[RunState] = []
        for activity in activities:
            followed = self._one(activity, known)
            after.append(followed)
        after += [runs.vanish(run, self.array, self.full, self.now, self.interval) for run in known]
        if not first:
            after += self._between_polls(after)
        self.runs = after

    def take_ended(self, last: LastActivity) -> None:
        """The poll did not look what runs, yet it tells the end of a run that is followed."""
        self.runs = [
            runs.vanish(run, self.array, self.full, self.now, self.interval) if runs.describes(last, run) else run
            for run in self.runs
        ]

    def _one(self, activity: Activity, known: list[RunState]) -> RunState:
        for run in known:
            how = runs.relation(run, activity, self.array, self.interval)
            if how is runs.Relation.OTHER:
                continue
            known.remove(run)
            if how is runs.Relation.RESTARTED:
                return self._restart(run, activity)
            members = drives.member_samples(
                self.array, self.capture, self.state.counters, self.interval.steady_s, activity.fills or run.fills
            )
            moved = runs.advance(run, activity, self.now, self.interval, members)
            if moved.moved and run.still_s > 0:
                self.events.append(Event(EventKind.RUN_MOVED, self.key, run=moved, facts={"stood_s": run.still_s}))
            return moved
        begun = runs.begin(self.key, activity, self.now)
        self.events.append(Event(EventKind.RUN_BEGAN, self.key, run=begun))
        return begun

    def _restart(self, run: RunState, activity: Activity) -> RunState:
        begun = runs.begin(self.key, activity, self.now, after=run.id)
        if begun.is_rebuild:
            self.restarts += 1
        self.started_over.append(run)
        facts: dict[str, Fact] = {"had_done": run.done, "times_in_window": self._times()}
        self.events.append(Event(EventKind.RUN_RESTARTED, self.key, run=begun, facts=facts))
        return begun

    def _times(self) -> int:
        return (self.state.window.restarts if self.state.window else 0) + self.restarts

    def _between_polls(self, after: list[RunState]) -> list[RunState]:
        """A run that began and ended since the last poll, known only from the storage system's memory of it."""
        last, before = self.array.last_activity, self.state.last
        if last is None or last.ended is None or last.ended <= self.state.seen - runs.SAME_START:
            return []
        if before is not None and before.ended is not None and abs(last.ended - before.ended) <= runs.SAME_START:
            return []
        if any(runs.describes(last, run) for run in after) or not _is_new(last.started, self.state.seen):
            return []
        run = runs.unseen(self.key, last, self.state.seen, self.now)
        self.events.append(Event(EventKind.RUN_BEGAN, self.key, run=run))
        return [run]


def _is_new(started: datetime | None, seen: datetime) -> bool:
    """A start that the last poll should have shown running belongs to a run that was followed already."""
    return started is None or started >= seen - runs.REPORT_LAG


def _is_usual(run: RunState) -> bool:
    """Whether a finished rebuild says what is usual: the whole of it, and long enough to be watched."""
    return (
        run.is_rebuild
        and run.ending is not None
        and run.ending.outcome is Outcome.FINISHED
        and run.polls >= USUAL_LEAST_POLLS
        and (run.began_at_done or 0.0) <= USUAL_BEGAN_AT_MOST
    )


def _damage(key: str, state: ArrayState, array: Array, before: ArrayState | None) -> list[Event]:
    """The storage system counts more damaged data than before; what there was at first sight is no event."""
    was, is_now = state.array.data_errors, array.data_errors
    if before is None or was is None or is_now is None or is_now <= was:
        return []
    return [Event(EventKind.DATA_DAMAGED, key, facts={"data_errors": is_now, "before": was})]


def _gained_errors(key: str, state: ArrayState, array: Array, current: list[RunState]) -> list[Event]:
    """Members that count, or are being filled, and have gained errors since the last poll."""
    filling = {name for run in current if run.is_rebuild for name in run.fills}
    gains: list[Fact] = []
    for member in array.members:
        before = state.errors.get(member.name)
        if member.errors is None or before is None or not (member.good or member.name in filling):
            continue
        if member.role not in {Role.DATA, Role.SPECIAL, Role.DEDUP, Role.SPARE}:
            continue
        gained = _gain(before, member.errors)
        if any(gained.values()):
            gains.append({"name": member.name, **gained})
    return [Event(EventKind.ERRORS_GAINED, key, facts={"members": gains})] if gains else []


def _gain(before: Errors, after: Errors) -> dict[str, int]:
    pairs = {
        "read": (before.read, after.read),
        "write": (before.write, after.write),
        "checksum": (before.checksum, after.checksum),
    }
    return {name: max(0, b - a) if a is not None and b is not None else 0 for name, (a, b) in pairs.items()}


def _absent(state: ArrayState, now: Moment, interval: Interval) -> ArrayState:
    rebooted = state.rebooted_since or (state.boot is not None and now.boot is not None and state.boot != now.boot)
    return replace(
        state,
        absent_s=state.absent_s + (interval.observed_s if state.absent_since is not None else 0.0),
        absent_since=state.absent_since or now.at,
        rebooted_since=rebooted,
    )
