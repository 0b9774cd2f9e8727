"""One rebuild or pass from its first sight to its end, poll by poll.

A run that is no longer seen is over only when two polls and a minute agree: a second resilver may follow the first
within seconds, and a system may show nothing for a moment between two steps.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum

from mendwatch.model.observation import Activity, Array, LastActivity, LastOutcome
from mendwatch.model.records import MemberSample, Outcome, RunRecord
from mendwatch.model.state import Ending, Interval, Moment, RunState
from mendwatch.tracker.names import run_id

SAME_START = timedelta(seconds=2)
REPORT_LAG = timedelta(seconds=120)
CONFIRM_POLLS = 2
CONFIRM_S = 60.0
# A restart is told from a checkpoint by how far progress fell: md redoes at most a sixteenth after a reboot.
BEGINNING = 0.02
FELL_LEAST = 0.05
BEGINNING_AFTER_BOOT = 0.01
FELL_LEAST_AFTER_BOOT = 0.08
# Between the steps of a coarse counter, this much written to the new drive since the last poll is movement.
WRITTEN_LEAST_BYTES = 1 << 20

OUTCOMES = {
    LastOutcome.FINISHED: Outcome.FINISHED,
    LastOutcome.FINISHED_WITH_ERRORS: Outcome.FINISHED_WITH_ERRORS,
    LastOutcome.CANCELLED: Outcome.CANCELLED,
}


class Relation(StrEnum):
    """What an activity is to a run that is followed."""

    SAME = "same"
    RESTARTED = "restarted"
    OTHER = "other"


def own_done(activity: Activity, end_share: float | None) -> float | None:
    """The share of the run's own work, 0..1, from the storage system's count and where that count will end."""
    if activity.done is None:
        return None
    return max(0.0, min(1.0, activity.done / end_share if end_share else activity.done))


def begin(array_key: str, activity: Activity, now: Moment, after: str | None = None) -> RunState:
    """A run seen for the first time."""
    started = activity.started or now.at
    run = RunState(
        id=run_id(array_key, activity.kind, activity.subject, started),
        kind=activity.kind,
        word=activity.word,
        started=started,
        started_known=activity.started is not None,
        seen=now.at,
        first_seen=now.at,
        subject=activity.subject,
        after=after,
        elapsed_s=max(0.0, (now.at - started).total_seconds()),
        began_at_done=own_done(activity, activity.end_share),
    )
    return advance(run, activity, now, Interval(0.0, 0.0, rebooted=False), ())


def advance(
    run: RunState, activity: Activity, now: Moment, interval: Interval, members: tuple[MemberSample, ...]
) -> RunState:
    """The run one poll further."""
    end_share = activity.end_share if activity.end_share is not None else run.end_share
    done = own_done(activity, end_share)
    moved = run.polls == 0 or interval.rebooted or _moved(run, activity, interval, members)
    still_s = 0.0 if moved else run.still_s + interval.observed_s
    native = activity.native_seconds_left
    return replace(
        run,
        word=activity.word,
        seen=now.at,
        fills=activity.fills or run.fills,
        pass_started=activity.pass_started or run.pass_started,
        elapsed_s=run.elapsed_s + interval.steady_s,
        observed_s=run.observed_s + interval.observed_s,
        polls=run.polls + 1,
        done=done,
        done_bytes=activity.done_bytes,
        total_bytes=activity.total_bytes if activity.total_bytes is not None else run.total_bytes,
        step=max(0.0, done - run.done) if done is not None and run.done is not None else 0.0,
        end_share=end_share,
        native_finish=None if native is None else now.at + timedelta(seconds=min(native, 3.2e9)),
        errors=activity.errors if activity.errors is not None else run.errors,
        counters={**run.counters, **activity.counters},
        moved=moved,
        still_s=still_s,
        still_since=None if moved else (run.still_since or run.seen),
        longest_still_s=max(run.longest_still_s, run.still_s) if moved and not run.held else run.longest_still_s,
        running=activity.running,
        waiting=activity.waiting,
        held=activity.why_held or ("paused" if activity.paused else None) or ("waiting" if activity.waiting else None),
        ending=None,
        members=members,
    )


def _moved(run: RunState, activity: Activity, interval: Interval, members: tuple[MemberSample, ...]) -> bool:
    if any(run.counters.get(name, value) != value for name, value in activity.counters.items()):
        return True
    if own_done(activity, run.end_share) != run.done:
        return True
    if activity.done_bytes is not None or activity.paused or activity.waiting:
        return False
    written = sum(m.write_bytes_per_s or 0.0 for m in members if m.filling) * interval.steady_s
    return written >= WRITTEN_LEAST_BYTES


def relation(run: RunState, activity: Activity, array: Array, interval: Interval) -> Relation:
    """Whether an activity goes on with a run, starts it over, or is another one."""
    if run.kind is not activity.kind or run.subject != activity.subject:
        return Relation.OTHER
    if run.started_known and activity.started is not None:
        if abs(activity.started - run.started) > SAME_START:
            return Relation.OTHER if all_good(run.fills, array) else Relation.RESTARTED
        reimported = interval.rebooted or run.pass_started != (activity.pass_started or run.pass_started)
        return Relation.SAME if reimported or not _fell_back(run, activity, rebooted=False) else Relation.RESTARTED
    if run.fills and activity.fills and not set(run.fills) & set(activity.fills):
        return Relation.OTHER
    if run.ending is not None and run.ending.outcome is not Outcome.INTERRUPTED and run.ending.good:
        return Relation.OTHER
    return Relation.RESTARTED if _fell_back(run, activity, rebooted=interval.rebooted) else Relation.SAME


def _fell_back(run: RunState, activity: Activity, *, rebooted: bool) -> bool:
    done = own_done(activity, activity.end_share if activity.end_share is not None else run.end_share)
    if done is None or run.done is None:
        return False
    beginning, fell = (BEGINNING_AFTER_BOOT, FELL_LEAST_AFTER_BOOT) if rebooted else (BEGINNING, FELL_LEAST)
    return done < beginning and run.done - done > fell


def all_good(names: Iterable[str], array: Array) -> bool:
    """Whether the members of these names are all there and good; False for no names."""
    good = {member.name for member in array.members if member.good}
    wanted = set(names)
    return bool(wanted) and wanted <= good


def describes(last: LastActivity, run: RunState) -> bool:
    """Whether the storage system's last ended activity is this run."""
    if last.kind is not run.kind:
        return False
    if last.started is not None and run.started_known:
        return abs(last.started - run.started) <= SAME_START
    return last.ended is None or last.ended >= max(run.seen - REPORT_LAG, run.started - SAME_START)


def vanish(run: RunState, array: Array, full: int | None, now: Moment, interval: Interval) -> RunState:
    """The run one poll further without being seen: ending, with its outcome as far as it can be told."""
    good = (
        all_good(run.fills, array)
        if run.fills
        else array.redundancy_left is not None and full is not None and array.redundancy_left >= full
    )
    last = array.last_activity
    told = last if last is not None and describes(last, run) else None
    if told is not None and told.outcome in OUTCOMES:
        outcome = OUTCOMES[told.outcome]
    elif run.is_rebuild:
        outcome = Outcome.FINISHED if good else Outcome.INTERRUPTED
    else:
        outcome = Outcome.FINISHED if _near_end(run) else Outcome.INTERRUPTED
    before = run.ending
    ended = told.ended if told is not None and told.ended is not None and told.ended <= now.at else None
    ending = Ending(
        since=ended or (before.since if before else now.at),
        outcome=outcome,
        errors=told.errors if told is not None else run.errors,
        good=good,
        polls=before.polls + 1 if before else 1,
        lasted_s=before.lasted_s + interval.steady_s if before else 0.0,
    )
    elapsed_s = run.elapsed_s
    if before is None:
        known = ended is not None and run.started_known and run.started == _began(run)
        elapsed_s = (ending.since - run.started).total_seconds() if known else run.elapsed_s + interval.steady_s
    written = told.bytes if told is not None else None
    return replace(run, ending=ending, elapsed_s=max(0.0, elapsed_s), done_bytes=written or run.done_bytes, moved=True)


def _began(run: RunState) -> datetime:
    """When it began: a date later than its first sight is one of another zone or clock, and the sight counts."""
    return min(run.started, run.first_seen) if run.first_seen is not None else run.started


def _near_end(run: RunState) -> bool:
    """Whether a pass that is gone had reached its end within the next step or two."""
    return run.done is not None and run.done + 2 * run.step >= 1.0


def is_over(run: RunState) -> bool:
    """Whether two polls and a minute agree that the run is over."""
    return run.ending is not None and run.ending.polls >= CONFIRM_POLLS and run.ending.lasted_s >= CONFIRM_S


def unseen(array_key: str, last: LastActivity, before: datetime, now: Moment) -> RunState:
    """A run that began and ended between two polls, as the storage system remembers it."""
    started = last.started or before
    ended = min(last.ended or now.at, now.at)
    ending = Ending(ended, OUTCOMES.get(last.outcome, Outcome.INTERRUPTED), last.errors, good=True)
    return RunState(
        id=run_id(array_key, last.kind, None, started),
        kind=last.kind,
        word=last.word,
        started=started,
        started_known=last.started is not None,
        seen=ended,
        first_seen=ended,
        elapsed_s=max(0.0, (ended - started).total_seconds()),
        done_bytes=last.bytes,
        ending=ending,
    )


def record(run: RunState, array_key: str, name: str, source: str, outcome: Outcome | None = None) -> RunRecord:
    """The run as the history keeps it."""
    ending = run.ending
    return RunRecord(
        type="rebuild" if run.is_rebuild else "pass",
        id=run.id,
        after=run.after,
        array=name,
        array_id=array_key,
        source=source,
        kind=run.kind.value,
        word=run.word,
        started=_began(run),
        ended=run.seen if outcome is Outcome.RESTARTED else (ending.since if ending else None),
        outcome=outcome or (ending.outcome if ending else Outcome.RUNNING),
        bytes=run.done_bytes,
        members=run.fills,
        hours=run.elapsed_s / 3600,
        window=run.window,
        first_finish=run.first_finish,
        first_finish_at=run.first_finish_at,
        causes=run.causes,
    )
