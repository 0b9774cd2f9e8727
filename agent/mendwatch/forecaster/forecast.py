"""The end of a rebuild as quantiles, from how it goes lately and what is known of its circumstances."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from math import exp, log, sqrt

from mendwatch.forecaster.drift import Drift, drift, left_s, spread
from mendwatch.forecaster.regime import Regime, regime
from mendwatch.forecaster.state import ForecastState
from mendwatch.forecaster.week import Week
from mendwatch.model.records import Cause, Forecast, Quantiles, Sample

MOVES_NEEDED = 2
# The 90 % point of the normal distribution.
Z90 = 1.2816
# Log-scale spread of what no watching removes (load to come), with and without the drives' counters, and what a young
# stretch adds. Measured on simulated and recorded rebuilds (tests/benchmarks/forecast.py), no source.
SPREAD_AT_BEST, SPREAD_UNSEEN = 0.08, 0.15
SPREAD_WHEN_YOUNG = 0.6
# By how much what comes between makes it later.
SURPRISE = 0.15
SPREAD_AT_MOST = 3.0
YOUNG_POLLS = 12
OLD_RATE_POLLS = 4
USUAL_WITHIN = 2.0
# No zones make a drive as much slower as this.
COLLAPSED_TIMES = 3.0
# What is over by itself lasts as long again as it has lasted, in the middle; from a ninth to nine times that in eight
# of ten cases (the rule of thumb for durations without a scale: Gott, Nature 363, 1993; from memory).
SOON = 9.0
STILL_STEPS = 8
STILL_LEAST_S = 120.0
FAR_S = 10 * 365.25 * 86400
# What holds the rate at one level, whatever the place on the media; and what is over some time by itself.
LEVEL = frozenset({Cause.SHINGLED_WRITER, Cause.SLOW_WRITER, Cause.SLOW_LINK, Cause.THROTTLED, Cause.SCATTERED_LAYOUT})
PASSING = frozenset({Cause.SLOW_READER, Cause.BUSY_HOST})


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What is known beside the samples.

    Attributes:
        usual_hours: what a rebuild of this array usually takes.
        week: what others are expected to ask of the drives.
        causes: what holds the rebuild back, surest first.
        solid: the drives have no zones of unlike speed.
    """

    usual_hours: float | None = None
    week: Week | None = None
    causes: tuple[Cause, ...] = ()
    solid: bool = False


@dataclass(frozen=True, slots=True)
class Left:
    """Seconds left as quantiles; None is 'not in sight'."""

    p10_s: float | None
    p50_s: float | None
    p90_s: float | None


def forecast(state: ForecastState, sample: Sample, known: Circumstances | None = None) -> Forecast:
    """The end as it looks at ``sample``, which :func:`update` has already taken in.

    Args:
        state: after that sample.
        sample: the latest one.
        known: what is known beside the samples.
    """
    if sample.done is None or state.moves < MOVES_NEEDED or len(state.points) <= MOVES_NEEDED:
        return Forecast(rate_bytes_per_s=None, share_per_s=None, finish=None, basis_s=state.watched_s)
    known = known or Circumstances()
    lately = regime(state)
    left = _left(state, lately, sample, known)
    if not sample.running:
        left = Left(left.p10_s, None, None)
    rate = max(0.0, lately.share_per_s) if sample.running else 0.0
    if known.week is not None:
        rate *= max(0.0, 1.0 - lately.cost * known.week.at(sample.at))
    return Forecast(
        rate_bytes_per_s=None if sample.total_bytes is None else rate * sample.total_bytes,
        share_per_s=rate,
        finish=Quantiles(*(_end(sample.at, seconds) for seconds in (left.p10_s, left.p50_s, left.p90_s))),
        basis_s=lately.age_s,
    )


def _end(at: datetime, seconds: float | None) -> datetime | None:
    return None if seconds is None or seconds > FAR_S else at + timedelta(seconds=seconds)


def _left(state: ForecastState, lately: Regime, sample: Sample, known: Circumstances) -> Left:
    if lately.share_per_s <= 0:
        return Left(None, None, None)
    done = min(1.0, (sample.done or 0.0) + lately.ahead)
    share = max(0.0, 1.0 - done)
    collapsed = state.best_per_s > COLLAPSED_TIMES * lately.share_per_s
    level = known.solid or collapsed or any(cause in LEVEL for cause in known.causes[:1])
    found = drift(lately, done, level=level)
    young = exp(-lately.age_s / (YOUNG_POLLS * lately.grain_s))
    before = _Before(lately, done, known, sample.at)
    passing = before.faster and any(cause in PASSING for cause in known.causes[:1])
    middle_s = (
        before.again_after(lately.age_s, share, found)
        if passing
        else _wall_s(left_s(found, share, found.per_share), lately, known, sample.at)
    )
    if lately.before_per_s is None and known.usual_hours:
        middle_s = _drawn_to_usual(middle_s, share * known.usual_hours * 3600, young)
    seen = any(member.busy is not None for member in sample.members)
    noise = sqrt(
        (lately.spread_per_s / lately.share_per_s) ** 2
        + spread(found, share) ** 2
        + (SPREAD_AT_BEST if seen else SPREAD_UNSEEN) ** 2
        + (SPREAD_WHEN_YOUNG * young) ** 2
    )
    factor = exp(Z90 * min(noise, SPREAD_AT_MOST))
    # What comes between makes it later far more often than sooner: other load, a bad region, a pause.
    early_s, late_s = middle_s / factor, middle_s * factor * (1.0 + SURPRISE)
    if passing:
        early_s = min(early_s, before.again_after(lately.age_s / SOON, share, found) / factor)
        late_s = max(late_s, before.again_after(lately.age_s * SOON, share, found) * factor)
    elif before.faster and state.still_s > lately.age_s / 2:
        # A count that stands is no slow rate: it may go on at once as it did before.
        early_s = min(early_s, before.again_after(0.0, share, found) / factor)
    if lately.before_per_s is not None and lately.before_per_s > 0:
        # What has just changed may change back: until the new rate has lasted a while, the old one stays possible.
        weight = exp(-lately.age_s / (OLD_RATE_POLLS * lately.grain_s))
        mixed_s = middle_s * (lately.share_per_s / lately.before_per_s) ** weight
        early_s, late_s = min(early_s, mixed_s), max(late_s, mixed_s)
    still_s = max(STILL_LEAST_S, STILL_STEPS * lately.grain_s)
    # The end itself lingers (last writes, a last pass): the figures never promise it sooner than that.
    return Left(
        early_s if state.still_s < 4 * still_s else None,
        middle_s + state.pace_s if state.still_s < 2 * still_s else None,
        late_s + 4 * state.pace_s if state.still_s < still_s else None,
    )


class _Before:
    """How it went before it slowed down, and what the time left comes to if it goes so again."""

    def __init__(self, lately: Regime, done: float, known: Circumstances, at: datetime) -> None:
        self.faster = lately.usual_per_s is not None and lately.usual_per_s > lately.share_per_s
        self._lately, self._done, self._known, self._at = lately, done, known, at

    def again_after(self, lasts_s: float, share: float, found: Drift) -> float:
        """Seconds left if it stays slow for so long."""
        slow = min(share, found.rate_per_s * lasts_s)
        then = drift(self._lately, self._done, level=False, rate_per_s=self._lately.usual_per_s)
        rest_s = left_s(then, share - slow, then.per_share)
        return min(lasts_s, share / found.rate_per_s) + _wall_s(rest_s, self._lately, self._known, self._at)


def _wall_s(quiet_s: float, lately: Regime, known: Circumstances, at: datetime) -> float:
    return quiet_s if known.week is None else known.week.wall_s(at, quiet_s, lately.cost)


def _drawn_to_usual(middle_s: float, usual_s: float, young: float) -> float:
    """A young projection drawn half way to the usual one, unless the two contradict each other."""
    if middle_s <= 0 or usual_s <= 0 or abs(log(usual_s / middle_s)) > log(USUAL_WITHIN):
        return middle_s
    return middle_s * exp(log(usual_s / middle_s) * young / 2)
