"""Which alerts are due: what the tracker saw, held against what the owner asked for. Pure; alerts leave as data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from mendwatch.model.alert import Alert
from mendwatch.model.policy import HostPolicy
from mendwatch.model.state import Event, Interval, Memory, Track
from mendwatch.policy import arrays, rebuilds, sources, windows
from mendwatch.policy.due import Docket, forget


def judge(
    memory: Memory, track: Track, events: Sequence[Event], interval: Interval, policy: HostPolicy
) -> tuple[Memory, tuple[Alert, ...]]:
    """The alerts of one poll in the order in which they are told, and the memory for the next."""
    if track.last is None:
        return memory, ()
    docket = Docket(policy, track, track.last.at, interval.steady_s, interval.observed_s, dict(memory.standing))
    happened = tuple(events)
    quiet_s = arrays.judge(docket, happened, memory)
    underway = rebuilds.judge(docket, happened, memory)
    said = windows.judge(docket, memory.said)
    sources.judge(docket, happened)
    docket.remind()
    after = replace(memory, standing=docket.standing, said=said, underway=underway, quiet_s=quiet_s)
    open_windows = [state.window.id for state in track.arrays.values() if state.window is not None]
    runs = [run.id for state in track.arrays.values() for run in state.runs]
    return forget(after, open_windows, runs), docket.in_order()
