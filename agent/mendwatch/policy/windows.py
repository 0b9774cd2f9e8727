"""Alerts about degraded windows that will outlast, or have outlasted, their limit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf

from mendwatch.model.alert import AlertKind, Fact
from mendwatch.model.records import Quantiles
from mendwatch.model.state import ArrayState, RunState, Said, WindowState
from mendwatch.policy.due import Docket, page_if
from mendwatch.policy.limits import fastest_s, limit_s, usual_s

# A projection must stay over the limit for this long before it wakes anybody, and within it before that is taken back.
OVER_POLLS = 3
OVER_MOST_S = 300.0
OVER_SHARE = 0.01
WITHIN_POLLS = 5
WITHIN_MOST_S = 1800.0
WITHIN_SHARE = 0.05
# With nothing known of the drives, a window without a rebuild is told at half its limit.
WAITING_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class _Clock:
    """One level's clock against its limit; ``ends_s`` are the projected lengths p10, p50, p90, None beyond sight."""

    level: int
    elapsed_s: float
    limit_s: float
    ends_s: tuple[float | None, float | None, float | None] | None


def judge(docket: Docket, said: dict[str, Said]) -> dict[str, Said]:
    """Hold every open window's clocks against the policy; returns what has now been said of each."""
    after = dict(said)
    for state in docket.track.arrays.values():
        window = state.window
        if window is None or state.absent_since is not None:
            continue
        after[window.id] = _window(docket, state, window, said.get(window.id, Said()))
    return after


def _window(docket: Docket, state: ArrayState, window: WindowState, said: Said) -> Said:
    run = _closing_run(state)
    clocks = [_clock(docket, state, window, level, run) for level in range(max(0, window.level), window.full)]
    outlived = next((clock for clock in clocks if clock.elapsed_s > clock.limit_s), None)
    if outlived is not None:
        said = _say(docket, state, window, run, outlived, "outlived", said)
    projected = next((clock for clock in clocks if _over(clock)), None)
    said = _count(docket, said, clocks, projected)
    if projected is not None and _long_enough(said, projected):
        said = _say(docket, state, window, run, projected, "projected", said)
    said = _later(docket, state, window, run, clocks, said)
    waiting = _waiting(state, window, clocks)
    if waiting is not None:
        said = _say(docket, state, window, None, waiting, "waiting", said)
    if projected is None and outlived is None:
        said = _within(docket, state, window, run, clocks, said)
    return said


def _closing_run(state: ArrayState) -> RunState | None:
    """The rebuild whose end the window's clocks wait for: the one that ends last."""
    told = [run for run in state.rebuilds if finish_of(run) is not None]
    return max(told, key=_last_end, default=None)


def finish_of(run: RunState | None) -> Quantiles | None:
    """The projected end of a rebuild, if there is one."""
    return run.forecast.finish if run is not None and run.forecast is not None else None


def _last_end(run: RunState) -> float:
    finish = finish_of(run)
    return finish.p50.timestamp() if finish is not None and finish.p50 is not None else inf


def _clock(docket: Docket, state: ArrayState, window: WindowState, level: int, run: RunState | None) -> _Clock:
    elapsed_s = window.clocks_s.get(level, 0.0)
    limit = limit_s(docket.policy.for_array(state.array.name), state, level)
    finish = finish_of(run)
    if finish is None:
        return _Clock(level, elapsed_s, limit, None)
    p10, p50, p90 = (
        None if end is None else elapsed_s + (end - docket.at).total_seconds()
        for end in (finish.p10, finish.p50, finish.p90)
    )
    return _Clock(level, elapsed_s, limit, (p10, p50, p90))


def _over(clock: _Clock) -> bool:
    """Even the early end of the range is past the limit."""
    return clock.ends_s is not None and clock.ends_s[0] is not None and clock.ends_s[0] > clock.limit_s


def _count(docket: Docket, said: Said, clocks: list[_Clock], projected: _Clock | None) -> Said:
    """For how long the projection has been over, or safely within."""
    if projected is not None:
        return replace(
            said, over_polls=said.over_polls + 1, over_s=said.over_s + docket.observed_s, within_polls=0, within_s=0.0
        )
    inside = all(c.ends_s is not None and c.ends_s[2] is not None and c.ends_s[2] <= c.limit_s for c in clocks)
    if inside:
        within_s = said.within_s + docket.observed_s
        return replace(said, over_polls=0, over_s=0.0, within_polls=said.within_polls + 1, within_s=within_s)
    return replace(said, over_polls=0, over_s=0.0, within_polls=0, within_s=0.0)


def _long_enough(said: Said, clock: _Clock) -> bool:
    return said.over_polls >= OVER_POLLS and said.over_s >= min(OVER_MOST_S, OVER_SHARE * clock.limit_s)


def _waiting(state: ArrayState, window: WindowState, clocks: list[_Clock]) -> _Clock | None:
    """The clock whose limit will be broken because nothing rebuilds, None while something does or may yet in time."""
    if state.rebuilds or window.risen_to is not None:
        return None
    needed_s = fastest_s(state)
    for clock in clocks:
        latest_start_s = clock.limit_s - needed_s if needed_s is not None else WAITING_SHARE * clock.limit_s
        if window.waiting_s > 0 and clock.elapsed_s > max(latest_start_s, 0.0):
            return clock
    return None


def _later(
    docket: Docket, state: ArrayState, window: WindowState, run: RunState | None, clocks: list[_Clock], said: Said
) -> Said:
    """Say again an end that has moved past all that was last said of it."""
    finish = finish_of(run)
    if said.last_p90 is None or finish is None or finish.p10 is None or finish.p10 <= said.last_p90 or not clocks:
        return said
    clock = next((c for c in clocks if _over(c)), None)
    if clock is None:
        return said
    return _say(docket, state, window, run, clock, f"later-{said.later + 1}", replace(said, later=said.later + 1))


def _say(
    docket: Docket, state: ArrayState, window: WindowState, run: RunState | None, clock: _Clock, reason: str, said: Said
) -> Said:
    """Raise the page unless this reason was given for this level, or for a worse one, already."""
    given = (told.rpartition("/") for told in said.reasons)
    if any(why == reason and int(level) <= clock.level for why, _, level in given):
        return said
    finish = finish_of(run)
    word = reason.partition("-")[0]
    usual, basis = usual_s(state)
    facts: dict[str, Fact] = {
        "reason": word,
        "level": clock.level,
        "elapsed_hours": clock.elapsed_s / 3600,
        "window_hours": _hours(clock),
        "usual_hours": usual / 3600 if usual is not None else None,
        "usual_basis": basis,
        "previous_p90": said.last_p90.isoformat() if said.last_p90 is not None else None,
        "rate_bytes_per_s": run.forecast.rate_bytes_per_s if run is not None and run.forecast is not None else None,
        "done": run.done if run is not None else None,
        "peer_hours": usual / 3600 if usual is not None and run is not None and run.causes else None,
    }
    # One page stands for a window at a time: the newest says all that the older ones did.
    docket.end(f"{window.id}/over/")
    docket.raise_once(
        AlertKind.WINDOW_OVER_POLICY,
        page_if(wake=True),
        f"{window.id}/over/{reason}/{clock.level}/{said.within_polls}",
        state,
        facts=facts,
        run=run or next(iter(state.rebuilds), None),
        window=window,
        limit_s=clock.limit_s,
    )
    last_p90 = finish.p90 if finish is not None else said.last_p90
    return replace(said, reasons=(*said.reasons, f"{reason}/{clock.level}"), last_p90=last_p90 or said.last_p90)


def _hours(clock: _Clock) -> Fact:
    if clock.ends_s is None:
        return None
    p10, p50, p90 = (None if seconds is None else seconds / 3600 for seconds in clock.ends_s)
    return {"p10": p10, "p50": p50, "p90": p90}


def _within(
    docket: Docket, state: ArrayState, window: WindowState, run: RunState | None, clocks: list[_Clock], said: Said
) -> Said:
    """Take a projection back once it has stayed within the limit."""
    told = [given for given in said.reasons if given.startswith(("projected/", "later-"))]
    longest_s = max((clock.limit_s for clock in clocks), default=0.0)
    stays = said.within_polls >= WITHIN_POLLS and said.within_s >= min(WITHIN_MOST_S, WITHIN_SHARE * longest_s)
    if not told or not stays or not clocks:
        return said
    clock = clocks[0]
    docket.end(f"{window.id}/over/")
    facts: dict[str, Fact] = {"level": clock.level, "window_hours": _hours(clock)}
    docket.raise_once(
        AlertKind.WINDOW_WITHIN_POLICY,
        page_if(wake=False),
        f"{window.id}/within/{docket.at.isoformat()}",
        state,
        facts=facts,
        run=run,
        window=window,
        limit_s=clock.limit_s,
        stands=False,
    )
    left = tuple(given for given in said.reasons if given not in told)
    return replace(said, reasons=left, last_p90=None, within_polls=0, within_s=0.0)
