"""What the forecaster keeps of a rebuild: a curve of progress over watched time, dense lately and thin long ago."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeAlias

from mendwatch.model.records import Sample

Point: TypeAlias = "tuple[float, float]"

POINTS_KEPT = 96


@dataclass(frozen=True, slots=True)
class ForecastState:
    """The bounded memory of one rebuild.

    Attributes:
        watched_s: seconds that were observed so far: the axis of the curve.
        progress: share of the work done within them; a gap or a reboot adds to neither.
        done: the share at the last sample that told one.
        moves: how often the share moved.
        points: (watched_s, progress) at moves of the share, oldest first.
    """

    watched_s: float = 0.0
    progress: float = 0.0
    done: float | None = None
    moves: int = 0
    points: tuple[Point, ...] = ()


def begin() -> ForecastState:
    """The state before the first sample."""
    return ForecastState()


def update(state: ForecastState, sample: Sample) -> ForecastState:
    """The state one sample later."""
    if sample.done is None:
        return state
    if state.done is None or sample.observed_s <= 0:
        return replace(state, done=sample.done, points=state.points or ((0.0, 0.0),))
    watched_s = state.watched_s + sample.observed_s
    step = sample.done - state.done
    if step == 0:
        return replace(state, watched_s=watched_s)
    progress = state.progress + step
    points = (*state.points, (round(watched_s, 2), progress))[-POINTS_KEPT:]
    return replace(
        state, watched_s=watched_s, progress=progress, done=sample.done, moves=state.moves + 1, points=points
    )
