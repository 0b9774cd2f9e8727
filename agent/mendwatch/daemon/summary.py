"""One line on how everything stands, for the service manager."""

from __future__ import annotations

from collections.abc import Sequence

from mendwatch.cycle import SourceState
from mendwatch.model.state import ArrayState, RunState


def line(states: Sequence[SourceState]) -> str:
    """For example ``2 arrays, 1 rebuilding: vault 37 %, ends about Wed 11 Mar 11:00 UTC``."""
    arrays = [array for state in states for array in state.track.arrays.values()]
    blind = [state.track.source for state in states if state.track.blind_since is not None]
    counted = f"{len(arrays)} array{'' if len(arrays) == 1 else 's'}"
    parts = [counted if arrays else "no array found yet"]
    rebuilding = [(array, run) for array in arrays for run in array.rebuilds]
    if rebuilding:
        said = "; ".join(_rebuild(array, run) for array, run in rebuilding)
        parts.append(f"{len(rebuilding)} rebuilding: {said}")
    waiting = [array.array.name for array in arrays if array.window is not None and not array.rebuilds]
    if waiting:
        parts.append(f"{len(waiting)} degraded: {', '.join(waiting)}")
    if blind:
        parts.append(f"cannot read {', '.join(blind)}")
    return ", ".join(parts)


def _rebuild(array: ArrayState, run: RunState) -> str:
    done = "" if run.done is None else f" {run.done:.0%}".replace("%", " %")
    finish = run.forecast.finish if run.forecast is not None else None
    if finish is None:
        return f"{array.array.name}{done}"
    if finish.p50 is None:
        return f"{array.array.name}{done}, no end in sight"
    return f"{array.array.name}{done}, ends about {finish.p50:%a %d %b %H:%M} UTC"
