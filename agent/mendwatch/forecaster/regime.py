"""How fast the work goes lately: the stretch of the curve that belongs together, its rate, and how unsteady it is.

The curve is cut where its mean rate changed by more than its own unsteadiness explains (binary segmentation with a
t-like statistic, keeping the latest part): a collapse ends the stretch at once, bursts and pauses that alternate do
not. The mean of the whole stretch, not its median, is what bursts with pauses come to in the long run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, pairwise
from math import inf, log, sqrt

from mendwatch.forecaster.state import ForecastState

CUT_BEYOND = 5.0
CLEAR_BEYOND = 4
CUT_LEAST_CHANGE = log(1.3)
BLOCKS_BEFORE = 3
FALL_BLOCKS = 3
RISE_BLOCKS = 10
# A count that stands is one block only: it speaks when it has stood this many times longer than ever before.
LONG_BLOCKS = 8.0
COARSE_POLLS = 2.5
STRIDES_LEAST = 5
LATELY_SHARE = 0.4
# Users' share u of the drives' time costs a rebuild 1.75 u (Thomasian and Blaum, ACM ToS 5(3), 2009; from memory).
COST_AT_FIRST, COST_SPREAD = 1.5, 0.7
COSTS = (0.0, 0.5, 1.0, 1.5, 2.0, 2.5)
COST_BLOCKS, COST_DEPENDENCE = 12, 4.0
LEAST_QUIET = 0.1
FALLEN_TIMES = 1.8
LATELY_LEAST_S = 1800.0
LATELY_BLOCKS = 12


@dataclass(frozen=True, slots=True)
class Block:
    """The work of one stretch between two points of the curve; ``load_s`` of its time others were expected to take."""

    lasted_s: float
    share: float
    load_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Regime:
    """How it goes lately.

    Attributes:
        share_per_s: mean rate.
        spread_per_s: standard error of that mean, from the unsteadiness of the blocks.
        age_s: seconds since the rate last changed for good (since the first sample if it never did).
        before_per_s: the rate before that change, None if there was none; usual_per_s: the highest of all such rates.
        ahead: share that is likely done beyond what the storage system has counted.
        blocks: the stretch itself; lately: how many of its latest blocks the rate is the mean of.
        grain_s: how long it takes to see anything: a poll, or a step of a coarse count that nothing else refines.
        cost: share of the work lost for a share of the drives' time that others take.

    Rates are those of time with nobody else at the drives, as far as the usual load is known.
    """

    share_per_s: float
    spread_per_s: float
    age_s: float
    before_per_s: float | None
    usual_per_s: float | None
    ahead: float
    grain_s: float
    blocks: tuple[Block, ...]
    lately: int
    cost: float = 0.0


def regime(state: ForecastState) -> Regime:
    """How it goes lately; needs a state with at least two moves."""
    per_mb = _share_per_mb(state)
    whole = _blocks(state, per_mb)
    cost = COST_AT_FIRST if state.load_s > 0 else 0.0
    blocks = quiet(whole, cost)
    first = 0
    before_per_s: float | None = None
    usual_per_s: float | None = None
    while (cut := _cut(blocks[first:])) is not None:
        before_per_s = _rate(blocks[first : first + cut])
        usual_per_s = max(before_per_s, usual_per_s or 0.0)
        first += cut
    if state.load_s > 0:
        fallen = before_per_s is not None and before_per_s > FALLEN_TIMES * _rate(blocks[first:])
        # What has collapsed waits for something else than for its share of the drives.
        cost = learnt_cost(whole[first:], 0.0 if fallen else COST_AT_FIRST)
    same = quiet(whole[first:], cost)
    lately = _lately(same)
    rate = _rate(lately)
    lasted_s = sum(block.lasted_s for block in lately)
    return Regime(
        share_per_s=rate,
        spread_per_s=sqrt(unsteadiness(lately, rate) / lasted_s),
        age_s=sum(block.lasted_s for block in same),
        before_per_s=before_per_s,
        usual_per_s=usual_per_s,
        ahead=_ahead(state, rate, per_mb),
        grain_s=_longest_step_s(state) if per_mb is None else state.pace_s,
        blocks=tuple(same),
        lately=len(lately),
        cost=cost,
    )


def quiet(blocks: Sequence[Block], cost: float) -> list[Block]:
    """The blocks with only that part of their time which others leave to the rebuild."""
    return [
        Block(max(LEAST_QUIET * block.lasted_s, block.lasted_s - cost * block.load_s), block.share) for block in blocks
    ]


def learnt_cost(blocks: Sequence[Block], believed: float) -> float:
    """What others' load costs this rebuild: the cost under which its rate is steadiest, drawn to what was believed."""
    if len(blocks) < COST_BLOCKS or _rate(blocks) <= 0:
        return believed

    def against(cost: float) -> float:
        trimmed = quiet(blocks, cost)
        rate = _rate(trimmed)
        noise = unsteadiness(trimmed, rate) / rate**2
        return len(blocks) / COST_DEPENDENCE * log(max(noise, 1e-12)) + ((cost - believed) / COST_SPREAD) ** 2

    return min(COSTS, key=against)


def unsteadiness(blocks: Sequence[Block], rate: float) -> float:
    """Variance of progress per second of a walk with these blocks as its steps.

    What one block says is often true of the next as well (load comes in hours, data lie in stretches), so that the
    walk is looked at in longer and longer strides, and the widest swing counts (batch means).
    """
    return max(_stridden([(block.lasted_s, block.share - rate * block.lasted_s) for block in blocks]))


def _stridden(steps: Sequence[tuple[float, float]]) -> list[float]:
    """The variance per second of steps, each a time and what was done beyond the mean, by length of stride."""
    found = []
    strides = list(steps)
    while True:
        found.append(sum(beyond**2 / lasted_s for lasted_s, beyond in strides) / max(1, len(strides) - 1))
        if len(strides) < 2 * STRIDES_LEAST:
            return found
        strides = [(a[0] + b[0], a[1] + b[1]) for a, b in zip(strides[::2], strides[1::2], strict=False)]


def _longest_step_s(state: ForecastState) -> float:
    """The longest time that the count lately took for one move, at least one poll."""
    return max([state.pace_s, *(b.at_s - a.at_s for a, b in pairwise(state.last_moves))])


def _share_per_mb(state: ForecastState) -> float | None:
    """The share that a megabyte taken by the new drives stands for; None where the count itself is fine enough.

    Where the count stands for several polls and then jumps, the drives' own bytes tell how it goes meanwhile.
    """
    first, last = state.points[0], state.last_moves[-1]
    taken_mb = last.taken_mb - first.taken_mb
    stands_s = state.watched_s - last.at_s
    if max(stands_s, _longest_step_s(state)) <= COARSE_POLLS * state.pace_s or taken_mb <= 0:
        return None
    return (last.progress - first.progress) / taken_mb


def _blocks(state: ForecastState, per_mb: float | None) -> list[Block]:
    """The curve as blocks, with the time since its last point as one more where that is longer than a step takes."""
    points = state.points
    if per_mb is None:
        points = (points[0], *(b for a, b in pairwise(points) if b.progress > a.progress))
    blocks = [
        Block(
            b.at_s - a.at_s,
            b.progress - a.progress if per_mb is None else (b.taken_mb - a.taken_mb) * per_mb,
            b.load_s - a.load_s,
        )
        for a, b in pairwise(points)
        if b.at_s > a.at_s
    ]
    stands_s = state.watched_s - points[-1].at_s
    if stands_s > _longest_step_s(state):
        # Behind a count that stands something may have been done: at a guess, half of its latest step.
        blocks.append(Block(stands_s, blocks[-1].share / 2, state.load_s - points[-1].load_s))
    return blocks


def _ahead(state: ForecastState, rate: float, per_mb: float | None) -> float:
    """The share that is likely done since the count last moved, at most as much as its longest step."""
    moves = state.last_moves
    longest = max((b.progress - a.progress for a, b in pairwise(moves)), default=0.0)
    if per_mb is None:
        likely = max(0.0, rate) * (state.watched_s - moves[-1].at_s)
    else:
        likely = per_mb * (state.taken_mb - moves[-1].taken_mb)
    return min(longest, likely)


def _rate(blocks: Sequence[Block]) -> float:
    return sum(block.share for block in blocks) / sum(block.lasted_s for block in blocks)


def _lately(blocks: Sequence[Block]) -> Sequence[Block]:
    """The latest blocks of a stretch: rates drift (zones, hours of the day), so a long stretch is not used whole."""
    wanted_s = max(LATELY_LEAST_S, LATELY_SHARE * sum(block.lasted_s for block in blocks))
    lasted_s = 0.0
    for count, block in enumerate(reversed(blocks), start=1):
        lasted_s += block.lasted_s
        if lasted_s >= wanted_s and count >= LATELY_BLOCKS:
            return blocks[-count:]
    return blocks


def _cut(blocks: Sequence[Block]) -> int | None:
    """Where the rate changed most clearly, as the index of the first block after it; None if nowhere."""
    clearness, where = _sharpest(blocks)
    if where is None:
        return None
    sides = blocks[:where], blocks[where:]
    return where if clearness >= CLEAR_BEYOND * max(_togetherness(side) for side in sides) else None


def _sharpest(blocks: Sequence[Block]) -> tuple[float, int | None]:
    """The sharpest change by the swings of single blocks: how sharp it is, and where."""
    times = [0.0, *accumulate(block.lasted_s for block in blocks)]
    shares = [0.0, *accumulate(block.share for block in blocks)]
    squares = [0.0, *accumulate(block.share**2 / block.lasted_s for block in blocks)]
    longest = list(accumulate((block.lasted_s for block in blocks), max))
    count = len(blocks)
    best, where = CUT_BEYOND, None
    for cut in range(BLOCKS_BEFORE, count):
        before_s, after_s = times[cut], times[count] - times[cut]
        before = shares[cut] / before_s
        after = (shares[count] - shares[cut]) / after_s
        enough = RISE_BLOCKS if after > before else FALL_BLOCKS
        if count - cut < enough and (after > before or after_s < LONG_BLOCKS * longest[cut - 1]):
            continue
        if before > 0 and after > 0 and abs(log(after / before)) < CUT_LEAST_CHANGE:
            continue
        noise = squares[count] - before**2 * before_s - after**2 * after_s
        variance = max(noise / (count - 2), 0.0) * (1 / before_s + 1 / after_s)
        clearness = abs(after - before) / sqrt(variance) if variance > 0 else inf
        if clearness > best:
            best, where = clearness, cut
    return best, where


def _togetherness(blocks: Sequence[Block]) -> float:
    """By how much the swings of longer strides outdo those of single blocks.

    A side of a change may hold another change: the swings are those about the level of its own two parts.
    """
    _, inner = _sharpest(blocks)
    parts = [blocks] if inner is None else [blocks[:inner], blocks[inner:]]
    steps = [
        (block.lasted_s, block.share - rate * block.lasted_s)
        for part in parts
        for rate in [_rate(part)]
        for block in part
    ]
    swings = _stridden(steps)
    return sqrt(max(swings) / swings[0]) if swings[0] > 0 else 1.0
