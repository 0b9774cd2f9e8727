"""How the rate drifts with the place on the drive, and what that makes of the time that is left.

A drive reads and writes about half as fast on its inner zones as on its outer ones (zone-bit recording; see also the
ratio of 2.25 measured over a whole surface in a public OpenZFS issue, 10214), with the rate about linear in the place.
Whether a rebuild feels it depends on what limits it: the media, or a link, a throttle, a saturated new drive. So the
slope is learnt from the stretch that belongs together, as the median of all slopes, from a start half way between.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate, combinations
from math import log, log1p, sqrt
from statistics import fmean, median

from mendwatch.forecaster.regime import FALLEN_TIMES, Block, Regime, unsteadiness

OUTER_TO_INNER = 2.2
FALLEN_SPREAD = 0.1
START_PART, START_SPREAD = 0.75, 0.5
# Successive blocks are not independent (load comes in hours), and load drifts by some 8 % besides.
DEPENDENCE = 4.0
LOAD_DRIFT = 0.08
LEAST_AT_END = 0.3
FLAT = 1e-6
PARTS = 16
PARTS_LEAST = 5


@dataclass(frozen=True, slots=True)
class Drift:
    """The rate here, its relative change per share of the work, and the standard error of that change."""

    rate_per_s: float
    per_share: float
    spread: float


def drift(lately: Regime, done: float, *, level: bool, rate_per_s: float | None = None) -> Drift:
    """The drift of the stretch; its rate must be above 0.

    Args:
        lately: how it goes.
        done: the share of the whole work that is done.
        level: something other than the media is known to limit it.
        rate_per_s: another rate to start from, which is that of an earlier stretch.
    """
    rate = lately.share_per_s
    if rate_per_s is not None:
        return Drift(rate_per_s, _start(done), abs(_start(done)) * START_SPREAD)
    if level or (lately.before_per_s is not None and lately.before_per_s > FALLEN_TIMES * rate):
        # After such a fall it is not the media that limits, whatever it is.
        return Drift(rate, 0.0, FALLEN_SPREAD)
    start = _start(done)
    start_spread = abs(start) * START_SPREAD
    parts = _parts(lately.blocks)
    done_in_parts = sum(part.share for part in parts)
    if len(parts) < PARTS_LEAST or done_in_parts <= 0:
        return Drift(rate, start, start_spread)
    places = _places(parts)
    slope = median_slope(places, [part.share / part.lasted_s / rate for part in parts])
    mean_place = fmean(places)
    squares = sum(part.lasted_s * (place - mean_place) ** 2 for part, place in zip(parts, places, strict=True))
    noise = DEPENDENCE * unsteadiness(parts, rate) / rate**2 / squares + (LOAD_DRIFT / done_in_parts) ** 2
    seen, believed = 1 / noise, 1 / start_spread**2
    per_share = min(0.0, (seen * slope + believed * start) / (seen + believed))
    lately_share = sum(block.share for block in lately.blocks[-lately.lately :])
    here = rate * max(LEAST_AT_END, 1 + per_share * lately_share / 2)
    return Drift(here, per_share, 1 / sqrt(seen + believed))


def median_slope(places: Sequence[float], rates: Sequence[float]) -> float:
    """The median of the slopes of all pairs of points (Theil; Sen, JASA 63, 1968): one odd part moves it little."""
    points = list(zip(places, rates, strict=True))
    return median((b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(points, 2) if b[0] != a[0])


def left_s(found: Drift, share: float, per_share: float) -> float:
    """Seconds for this share of the work if the rate changes so from here on."""
    change = max(LEAST_AT_END - 1, per_share * share)
    if abs(change) < FLAT:
        return share / found.rate_per_s
    return share / found.rate_per_s * log1p(change) / change


def spread(found: Drift, share: float) -> float:
    """The spread of the time left, in log scale, that comes from not knowing the slope."""
    if share <= 0:
        return 0.0
    steep, flat = (
        left_s(found, share, found.per_share - found.spread),
        left_s(found, share, found.per_share + found.spread),
    )
    return abs(log(steep / flat)) / 2


def _start(done: float) -> float:
    """What is believed before the stretch has shown it: the most part of the zones' slope at this place."""
    fall = 1 - 1 / OUTER_TO_INNER
    return -fall / (1 - fall * min(1.0, done)) * START_PART


def _parts(blocks: Sequence[Block]) -> list[Block]:
    """The blocks joined to at most PARTS parts that lasted about equally long."""
    each_s = sum(block.lasted_s for block in blocks) / PARTS
    parts: list[Block] = []
    lasted_s = share = 0.0
    for block in blocks:
        lasted_s, share = lasted_s + block.lasted_s, share + block.share
        if lasted_s >= each_s:
            parts.append(Block(lasted_s, share))
            lasted_s = share = 0.0
    return parts


def _places(parts: Sequence[Block]) -> list[float]:
    """The middle of each part, as share of the work before the end of the last one (below 0)."""
    ahead = list(accumulate((part.share for part in reversed(parts)), initial=0.0))[-2::-1]
    return [-beyond - part.share / 2 for beyond, part in zip(ahead, parts, strict=True)]
