"""Alerts about the array itself: lost, reduced, gone, restored, changed on purpose, members with errors."""

from __future__ import annotations

from mendwatch.model.alert import AlertKind, Fact
from mendwatch.model.observation import Role
from mendwatch.model.state import ArrayState, Event, EventKind, Memory, WindowState
from mendwatch.policy.due import Docket, page_if

GONE_AFTER_S = 600.0
ERRORS_QUIET_S = 24 * 3600.0


def judge(docket: Docket, events: tuple[Event, ...], memory: Memory) -> dict[str, float]:
    """Raise and end what concerns the arrays; returns for how long members have been quiet, by array."""
    quiet_s = {key: seconds + docket.steady_s for key, seconds in memory.quiet_s.items()}
    for state in docket.track.arrays.values():
        _lost(docket, state)
        _gone(docket, state)
    for event in events:
        if event.array not in docket.track.arrays:
            continue
        state = docket.track.arrays[event.array]
        match event.kind:
            case EventKind.LEFT_FELL:
                _reduced(docket, state, event)
            case EventKind.DATA_DAMAGED:
                count = event.facts.get("data_errors")
                condition = f"{state.key}/damaged/{count}/{docket.at.isoformat()}"
                facts: dict[str, Fact] = {"why": "more data is damaged than before", "data_errors": count}
                level = page_if(wake=True)
                docket.raise_once(AlertKind.ARRAY_LOST, level, condition, state, facts=facts, stands=False)
            case EventKind.ERRORS_GAINED:
                quiet_s[state.key] = 0.0
                _member_errors(docket, state, event)
            case EventKind.WINDOW_CLOSED if event.window is not None:
                _restored(docket, state, event.window)
            case EventKind.LAYOUT_CHANGED:
                condition = f"{state.key}/layout/{docket.at.isoformat()}"
                level = page_if(wake=False)
                docket.raise_once(AlertKind.LAYOUT_CHANGED, level, condition, state, facts=event.facts, stands=False)
            case _:
                pass
    for key, seconds in list(quiet_s.items()):
        if seconds >= ERRORS_QUIET_S:
            docket.end(f"{key}/errors/")
            del quiet_s[key]
    return quiet_s


def _lost(docket: Docket, state: ArrayState) -> None:
    condition = f"{state.key}/lost"
    array = state.array
    # An array that is just being assembled or made says 'inactive' for a moment.
    assembling = array.redundancy_left is None and state.first_seen == state.seen
    if (array.lost and not assembling) or (state.left is not None and state.left < 0):
        why = array.why_unknown or ("more is lost than the layout survives" if not array.lost else array.state)
        facts: dict[str, Fact] = {"why": why, "data_errors": array.data_errors, "state": array.state}
        since = state.window.id if state.window is not None else ""
        if not any(name.startswith(f"{condition}/") for name in docket.standing):
            name = f"{condition}/{since}/{docket.at.isoformat()}"
            docket.raise_once(AlertKind.ARRAY_LOST, page_if(wake=True), name, state, facts=facts, window=state.window)
    else:
        docket.end(f"{condition}/")


def _reduced(docket: Docket, state: ArrayState, event: Event) -> None:
    window = event.window
    if window is None:
        return
    array = state.array
    not_good = [m.name for m in array.members if not m.good and m.role in {Role.DATA, Role.SPECIAL, Role.DEDUP}]
    facts: dict[str, Fact] = {
        **event.facts,
        "members": [*not_good],
        "state": array.state,
        "notes": [*array.notes, *(array.remarks or ())],
    }
    # A further fall replaces what stood: its page says more than the one before.
    docket.end(f"{window.id}/reduced/")
    condition = f"{window.id}/reduced/{window.level}/{docket.at.isoformat()}"
    level = page_if(wake=window.level <= 0)
    docket.raise_once(AlertKind.REDUNDANCY_REDUCED, level, condition, state, facts=facts, window=window)


def _gone(docket: Docket, state: ArrayState) -> None:
    prefix = f"{state.key}/gone/"
    if state.absent_since is None:
        docket.end(prefix)
        return
    policy = docket.policy.for_array(state.array.name)
    if policy.may_leave or not policy.watch or state.absent_s < GONE_AFTER_S:
        return
    degraded = state.window is not None
    facts: dict[str, Fact] = {
        "since": state.absent_since.isoformat(),
        "rebooted": state.rebooted_since,
        "was_degraded": degraded,
    }
    wake = degraded or bool(state.rebuilds) or state.rebooted_since
    condition = f"{prefix}{state.absent_since.isoformat()}"
    docket.raise_once(AlertKind.ARRAY_GONE, page_if(wake), condition, state, facts=facts, window=state.window)


def _member_errors(docket: Docket, state: ArrayState, event: Event) -> None:
    if state.window is None and not state.rebuilds:
        return
    wake = state.window is not None and state.window.level <= 0
    level = page_if(wake)
    condition = f"{state.key}/errors/{level.value}"
    if condition in docket.standing or (not wake and f"{state.key}/errors/page" in docket.standing):
        return
    docket.end(f"{state.key}/errors/")
    run = next(iter(state.rebuilds), None)
    docket.raise_once(AlertKind.MEMBER_ERRORS, level, condition, state, facts=event.facts, run=run, window=state.window)


def _restored(docket: Docket, state: ArrayState, window: WindowState) -> None:
    in_use = [m.name for m in state.array.members if m.role is Role.SPARE and m.state.upper() == "INUSE"]
    facts: dict[str, Fact] = {
        "hours": window.elapsed_s / 3600,
        "opened": window.opened.isoformat(),
        "opened_known": window.opened_known,
        "spare_in_use": [*in_use],
        "spares_free": state.array.spares_free,
    }
    docket.end(f"{window.id}/")
    condition = f"{window.id}/restored"
    docket.raise_once(
        AlertKind.REDUNDANCY_RESTORED, page_if(wake=False), condition, state, facts=facts, window=window, stands=False
    )
