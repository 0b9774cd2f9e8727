"""Alerts about the rebuilds themselves: underway, stalled, moving, restarted, ended, failed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime

from mendwatch.model.alert import AlertKind, Fact
from mendwatch.model.records import Outcome, Quantiles
from mendwatch.model.state import ArrayState, Ending, Event, EventKind, Memory, RunState, WindowState
from mendwatch.policy.due import Docket, page_if

UNDERWAY_AT_LATEST_S = 900.0
# A count that moves in steps of minutes is not stalled before it has stood for twice its longest step; but a stall
# that ended by itself must not make us deaf for days.
STILL_FACTOR = 2.0
STILL_MOST_FACTOR = 4.0
PAGE_FROM_RESTART = 2


def judge(docket: Docket, events: tuple[Event, ...], memory: Memory) -> tuple[str, ...]:
    """Raise and end what concerns the rebuilds; returns the ids of those whose first notice was given."""
    underway = set(memory.underway)
    for state in docket.track.arrays.values():
        for going in state.rebuilds:
            if going.id not in underway and _has_something_to_say(going):
                underway.add(going.id)
                _underway(docket, state, going)
            _stalled(docket, state, going)
        if state.rebuilds or state.window is None:
            docket.end(f"{state.key}/failed/")
    for event in events:
        run = event.run
        if run is None or not run.is_rebuild:
            continue
        state = docket.track.arrays[event.array]
        match event.kind:
            case EventKind.RUN_MOVED:
                _moving(docket, state, run, event.facts)
            case EventKind.RUN_RESTARTED:
                _restarted(docket, state, run, event.facts)
            case EventKind.RUN_OVER:
                if run.id not in underway:
                    underway.add(run.id)
                    _underway(docket, state, run)
                _over(docket, state, run, event.window)
            case _:
                pass
    return tuple(sorted(underway))


def _has_something_to_say(run: RunState) -> bool:
    told = run.forecast is not None and run.forecast.finish is not None
    return told or run.observed_s >= UNDERWAY_AT_LATEST_S


def _underway(docket: Docket, state: ArrayState, run: RunState) -> None:
    drive = state.drives.get(run.fills[0]) if run.fills else None
    facts: dict[str, Fact] = {
        "members": [*run.fills],
        "word": run.word,
        "suspects": [*(line for line in state.suspects if any(name in line for name in run.fills))],
        "drive": None if drive is None else {**asdict(drive)},
        "done": run.done,
        "rate_bytes_per_s": run.forecast.rate_bytes_per_s if run.forecast is not None else None,
    }
    docket.raise_once(
        AlertKind.REBUILD_UNDERWAY,
        page_if(wake=False),
        f"{run.id}/underway",
        state,
        facts=facts,
        run=run,
        window=state.window,
        stands=False,
    )


def _stalled(docket: Docket, state: ArrayState, run: RunState) -> None:
    stall_after_s = docket.policy.for_array(state.array.name).stall_after_s
    patience_s = max(stall_after_s, min(STILL_FACTOR * run.longest_still_s, STILL_MOST_FACTOR * stall_after_s))
    if run.still_since is None or run.still_s < patience_s:
        return
    behind_another = run.waiting and not run.running
    level = page_if(state.window is not None and not behind_another)
    prefix = f"{run.id}/stalled/"
    condition = f"{prefix}{run.still_since.isoformat()}/{level.value}"
    if condition in docket.standing:
        return
    docket.end(prefix)
    facts: dict[str, Fact] = {
        "since": run.still_since.isoformat(),
        "for_hours": run.still_s / 3600,
        "why_held": run.held,
        "waiting": behind_another,
        "done": run.done,
    }
    docket.raise_once(AlertKind.REBUILD_STALLED, level, condition, state, facts=facts, run=run, window=state.window)


def _moving(docket: Docket, state: ArrayState, run: RunState, facts: Mapping[str, Fact]) -> None:
    if not docket.end(f"{run.id}/stalled/"):
        return
    stood_s = facts.get("stood_s")
    told: dict[str, Fact] = {"stood_hours": stood_s / 3600 if isinstance(stood_s, float) else None}
    condition = f"{run.id}/moving/{docket.at.isoformat()}"
    level = page_if(wake=False)
    docket.raise_once(
        AlertKind.REBUILD_MOVING, level, condition, state, facts=told, run=run, window=state.window, stands=False
    )


def _restarted(docket: Docket, state: ArrayState, run: RunState, facts: Mapping[str, Fact]) -> None:
    times = facts.get("times_in_window")
    wake = state.window is not None and isinstance(times, int) and times >= PAGE_FROM_RESTART
    if run.after is not None:
        docket.end(f"{run.after}/")
    docket.raise_once(
        AlertKind.REBUILD_RESTARTED,
        page_if(wake),
        f"{run.id}/restarted/{docket.at.isoformat()}",
        state,
        facts=facts,
        run=run,
        window=state.window,
        stands=False,
    )


def _over(docket: Docket, state: ArrayState, run: RunState, window: WindowState | None) -> None:
    ending = run.ending
    if ending is None:
        return
    docket.end(f"{run.id}/")
    ended_well = ending.good and ending.outcome in {Outcome.FINISHED, Outcome.FINISHED_WITH_ERRORS}
    if ended_well:
        _ended(docket, state, run, ending, window)
        return
    if state.rebuilds:
        return
    facts: dict[str, Fact] = {
        "outcome": ending.outcome.value,
        "hours": run.elapsed_s / 3600,
        "done": run.done,
        "errors": ending.errors,
    }
    degraded = state.window is not None
    docket.raise_once(
        AlertKind.REBUILD_FAILED,
        page_if(degraded),
        f"{state.key}/failed/{run.id}",
        state,
        facts=facts,
        run=run,
        window=state.window,
        stands=degraded,
    )


def _ended(docket: Docket, state: ArrayState, run: RunState, ending: Ending, window: WindowState | None) -> None:
    with_errors = ending.outcome is Outcome.FINISHED_WITH_ERRORS
    still_open = state.window is not None
    at_risk = still_open or state.array.lost or bool(state.array.data_errors)
    total = run.done_bytes if run.done_bytes is not None else run.total_bytes
    facts: dict[str, Fact] = {
        "hours": run.elapsed_s / 3600,
        "rate_bytes_per_s": total / run.elapsed_s if total is not None and run.elapsed_s > 0 else None,
        "bytes": total,
        "outcome": ending.outcome.value,
        "errors": ending.errors,
        "ended": ending.since.isoformat(),
        "first_finish": _quantiles(run.first_finish),
        "first_finish_at": _iso(run.first_finish_at),
        "window_closed": not still_open,
        "still_open_for": _still_open_for(state) if still_open else None,
        "window_hours": window.elapsed_s / 3600 if window is not None else None,
    }
    docket.raise_once(
        AlertKind.REBUILD_ENDED,
        page_if(with_errors and at_risk),
        f"{run.id}/ended",
        state,
        facts=facts,
        run=run,
        window=window,
        stands=False,
    )


def _still_open_for(state: ArrayState) -> str:
    if state.rebuilds:
        return "another rebuild is underway"
    bad = [member.name for member in state.array.members if not member.good and member.group is not None]
    return f"not good yet: {', '.join(bad)}" if bad else "a slot is still without a good drive"


def _quantiles(finish: Quantiles | None) -> Fact:
    if finish is None:
        return None
    return {"p10": _iso(finish.p10), "p50": _iso(finish.p50), "p90": _iso(finish.p90)}


def _iso(at: datetime | None) -> str | None:
    return at.isoformat() if at is not None else None
