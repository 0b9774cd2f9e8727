"""What the forecaster keeps of a rebuild: a curve of progress over watched time, dense lately and thin long ago.

Where the storage system's own count stands still and then jumps (a btrfs chunk, md's sixteenths, OpenZFS's passes),
the bytes that the new drive took meanwhile carry the curve between two jumps, at the ratio learnt from earlier ones.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

from mendwatch.model.records import Sample

POINTS_KEPT = 96
MOVES_KEPT = 8
PACE_WEIGHT = 0.2
BEST_OVER_MOVES = 6
DIGITS = 9
LEAST_S = 0.05


class Point(NamedTuple):
    """A point of the curve.

    Attributes:
        at_s: seconds watched.
        progress: share of the work done in them, by the storage system's count.
        taken_mb: what the new drives took in them, in 10^6 bytes.
        load_s: seconds of the drives' time that others were expected to take in them.
    """

    at_s: float
    progress: float
    taken_mb: float
    load_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ForecastState:
    """The bounded memory of one rebuild.

    Attributes:
        watched_s: seconds that were observed while it ran: the axis of the curve.
        progress: share of the work done within them by the storage system's count; a gap or a reboot adds to neither.
        done: the share at the last sample that told one.
        moves: how often the count moved.
        pace_s: the usual time between two samples, lately.
        taken_mb: written to the new drives in the watched time, where the counters say so; load_s as in Point.
        still_s: watched seconds since any counter of the storage system moved.
        best_per_s: the highest share a second that several moves in a row came to.
        last_moves: the latest moves of the count, oldest first.
        points: the curve, oldest first.
    """

    watched_s: float = 0.0
    progress: float = 0.0
    done: float | None = None
    moves: int = 0
    pace_s: float = 0.0
    taken_mb: float = 0.0
    load_s: float = 0.0
    still_s: float = 0.0
    best_per_s: float = 0.0
    last_moves: tuple[Point, ...] = ()
    points: tuple[Point, ...] = ()


def begin() -> ForecastState:
    """The state before the first sample."""
    return ForecastState()


def update(state: ForecastState, sample: Sample, load: float = 0.0) -> ForecastState:
    """The state one sample later.

    Args:
        state: after the sample before.
        sample: the latest one.
        load: share of the drives' time that others are expected to take now, as far as that is known.
    """
    if sample.done is None:
        return state
    if not sample.running or state.done is None or sample.observed_s < LEAST_S or sample.done < state.done:
        return _rebased(state, sample.done)
    # A move finer than what is kept waits until it has added up.
    step = round(sample.done - state.done, DIGITS)
    now = replace(
        state,
        watched_s=round(state.watched_s + sample.observed_s, 3),
        progress=state.progress + step,
        done=sample.done if step > 0 else state.done,
        moves=state.moves + (step > 0),
        pace_s=_smoothed(state.pace_s, sample.observed_s),
        taken_mb=state.taken_mb + _taken_mb(sample),
        load_s=round(state.load_s + load * sample.observed_s, 3),
        still_s=0.0 if sample.moved or step > 0 else state.still_s + sample.observed_s,
    )
    here = _here(now)
    if step > 0:
        now = replace(now, last_moves=(*now.last_moves, here)[-MOVES_KEPT:])
        now = replace(now, best_per_s=_best(now))
    elif here.taken_mb <= state.points[-1].taken_mb:
        return now
    return replace(now, points=_thinned((*state.points, here)))


def _best(state: ForecastState) -> float:
    """The best rate over several moves: what came before a collapse must outlive the thinning of the curve."""
    moves = state.last_moves
    lasted_s = moves[-1].at_s - moves[0].at_s
    if len(moves) < BEST_OVER_MOVES or lasted_s <= 0:
        return state.best_per_s
    return max(state.best_per_s, round((moves[-1].progress - moves[0].progress) / lasted_s, 12))


def _here(state: ForecastState) -> Point:
    return Point(round(state.watched_s, 2), round(state.progress, DIGITS), round(state.taken_mb, 3), state.load_s)


def _rebased(state: ForecastState, done: float) -> ForecastState:
    """Go on from another share without saying that it was reached by work: after a gap, a reboot or a pause.

    Where the count stood within a step is not known then, so the curve goes on as if it had just moved.
    """
    here = _here(state)
    return replace(
        state,
        done=done,
        still_s=0.0,
        last_moves=_with(state.last_moves, here)[-MOVES_KEPT:],
        points=_thinned(_with(state.points, here)),
    )


def _with(points: tuple[Point, ...], here: Point) -> tuple[Point, ...]:
    return points if points and points[-1].at_s == here.at_s else (*points, here)


def _smoothed(pace_s: float, observed_s: float) -> float:
    return observed_s if pace_s == 0 else round(pace_s + PACE_WEIGHT * (observed_s - pace_s), 3)


def _taken_mb(sample: Sample) -> float:
    """What the drives being filled took since the sample before; 0 where no counter says so."""
    rates = [member.write_bytes_per_s or 0.0 for member in sample.members if member.filling]
    return sum(rates) * sample.observed_s / 1e6


def _thinned(points: tuple[Point, ...]) -> tuple[Point, ...]:
    """At most POINTS_KEPT points: the one goes whose neighbours lie closest together for their age."""
    if len(points) <= POINTS_KEPT:
        return points
    now_s = points[-1].at_s

    def closeness(index: int) -> float:
        older_s, newer_s = points[index - 1].at_s, points[index + 1].at_s
        return (newer_s - older_s) / (now_s - older_s)

    least = min(range(1, len(points) - 1), key=closeness)
    return points[:least] + points[least + 1 :]
