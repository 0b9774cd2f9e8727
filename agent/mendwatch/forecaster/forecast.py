"""The end of a rebuild as quantiles, from the curve of its progress."""

from __future__ import annotations

from datetime import timedelta

from mendwatch.forecaster.state import ForecastState
from mendwatch.model.records import Forecast, Quantiles, Sample

MOVES_NEEDED = 2


def forecast(state: ForecastState, sample: Sample, usual_hours: float | None) -> Forecast:  # noqa: ARG001  (deepened next)
    """The end as it looks at ``sample``, which :func:`update` has already taken in.

    Args:
        state: after that sample.
        sample: the latest one.
        usual_hours: what a rebuild of this array usually takes, if known.
    """
    if sample.done is None or state.moves < MOVES_NEEDED:
        return Forecast(rate_bytes_per_s=None, share_per_s=None, finish=None, basis_s=state.watched_s)
    (from_s, from_done), (to_s, to_done) = state.points[0], state.points[-1]
    rate = (to_done - from_done) / (to_s - from_s)
    if rate <= 0:
        return Forecast(None, None, Quantiles(None, None, None), state.watched_s)
    left_s = (1 - sample.done) / rate
    ends = [sample.at + timedelta(seconds=left_s * factor) for factor in (0.8, 1.0, 1.4)]
    total = sample.total_bytes
    return Forecast(
        rate_bytes_per_s=None if total is None else rate * total,
        share_per_s=rate,
        finish=Quantiles(ends[0], ends[1], ends[2]),
        basis_s=state.watched_s,
    )
