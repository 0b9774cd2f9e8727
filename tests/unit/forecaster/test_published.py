"""The forecaster's pieces against published examples and closed forms; the source stands beside each.

Rebuild lengths of 14 to 17 h and 9 to 9.5 d for 4 TB are common practice, no source.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from math import exp, log
from statistics import fmean

import pytest

from mendwatch.forecaster import begin, forecast, update
from mendwatch.forecaster.drift import Drift, left_s, median_slope
from mendwatch.forecaster.regime import CUT_BEYOND, Block, _sharpest
from mendwatch.forecaster.week import Week
from mendwatch.model.load import HOURS
from mendwatch.model.records import Sample
from support.forecast_bench import Said, judged

MONDAY = datetime(2026, 3, 2, tzinfo=UTC)
TB = 1e12

# Annual flow of the Nile at Aswan 1871-1970, 10^8 m3 (public domain; Durbin and Koopman, Time Series Analysis by State
# Space Methods, 2001; from memory, held against the published means below).
NILE = (
    1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
    1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
    831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
    781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
    744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
)  # fmt: skip


def test_the_slope_of_sens_own_example() -> None:
    """P. Sen, JASA 63, 1968: x 1 2 3 4 10 12 18, y 9 15 19 20 45 55 78 has slope 4."""
    assert median_slope((1, 2, 3, 4, 10, 12, 18), (9, 15, 19, 20, 45, 55, 78)) == pytest.approx(4.0, abs=1e-9)


def test_the_slope_of_the_nile() -> None:
    """Theil-Sen over the whole series is -2.6 a year (worked out with scipy.stats.theilslopes)."""
    assert median_slope(range(100), NILE) == pytest.approx(-2.6, abs=1e-9)


def test_the_change_of_the_nile() -> None:
    """G. Cobb, Biometrika 65, 1978: a change near 1898; the new level begins with index 28, 1899."""
    assert fmean(NILE[:28]) == pytest.approx(1097.75)
    assert fmean(NILE[28:]) == pytest.approx(849.97, abs=0.01)
    # The levels are to differ by three tenths, and these only do without a part of the flow.
    assert _sharpest([Block(1.0, float(flow)) for flow in NILE]) == (CUT_BEYOND, None)
    _, where = _sharpest([Block(1.0, flow - 200.0) for flow in NILE])
    assert where == 28


@pytest.mark.parametrize(
    ("done", "left_h"), [(0.0, 9.0103), (0.10, 8.375), (0.25, 7.349), (0.50, 5.395), (0.75, 3.021), (0.90, 1.309)]
)
def test_what_is_left_on_a_drive_with_zones(done: float, left_h: float) -> None:
    """Closed form of a rate that falls linearly with the place: S ln(r/r1)/(r0-r1); 4 TB, 180 to 80 MB/s."""
    rate = 180e6 - 100e6 * done
    found = Drift(rate / (4 * TB), -100e6 / rate, 0.0)
    assert left_s(found, 1 - done, found.per_share) / 3600 == pytest.approx(left_h, abs=1e-3)


@pytest.mark.parametrize(("begin_h", "lasts_h"), [(18, 15.53), (8, 19.48), (12, 17.61), (22, 19.03)])
def test_a_rebuild_through_office_hours(begin_h: int, lasts_h: float) -> None:
    """4 TB at 75 MB/s, 40 MB/s from 8 to 18: the calendar walked hour by hour."""
    week = Week([1.0 if 8 <= hour % 24 < 18 else 0.0 for hour in range(HOURS)])
    wall_s = week.wall_s(MONDAY + timedelta(hours=begin_h), 4 * TB / 75e6, 1 - 40 / 75)
    assert wall_s / 3600 == pytest.approx(lasts_h, abs=0.01)


def samples(places: list[float], poll_s: float) -> list[Sample]:
    return [
        Sample(
            run="run",
            at=MONDAY + timedelta(seconds=number * poll_s),
            elapsed_s=number * poll_s,
            observed_s=poll_s if number else 0.0,
            done=place,
            done_bytes=int(place * 4 * TB),
            total_bytes=int(4 * TB),
            native_finish=None,
            redundancy_left=0,
            running=True,
            moved=True,
        )
        for number, place in enumerate(places)
    ]


def middles_h(places: list[float], poll_s: float) -> list[tuple[float, float | None]]:
    """The share done and the projected hours left, poll by poll."""
    state = begin()
    found = []
    for sample in samples(places, poll_s):
        state = update(state, sample)
        finish = forecast(state, sample).finish
        left = (finish.p50 - sample.at).total_seconds() / 3600 if finish is not None and finish.p50 else None
        found.append((sample.done or 0.0, left))
    return found


def test_a_healthy_drive_is_projected_within_a_tenth_from_a_quarter_on() -> None:
    """The zoned drive of the closed form above, told nothing but time and place (our own target)."""
    fall = 100e6 / (4 * TB)
    places = [180 / 100 * (1 - exp(-fall * 60.0 * poll)) for poll in range(540)]
    told = middles_h(places, 60.0)
    assert len(told) == 540
    for done, left in told:
        true_h = log((180 - 100 * done) / 80) / fall / 3600
        if 0.25 <= done <= 0.95:
            assert left == pytest.approx(true_h, rel=0.10)


def test_a_collapse_is_projected_within_a_tenth_half_an_hour_later() -> None:
    """4 TB, 25 GiB of cache at 70 MB/s, then 5 MB/s: 220.84 h in all, 6.39 min of them fast (our own target)."""
    fast_s = 25 * 2**30 / 70e6
    assert fast_s / 60 == pytest.approx(6.39, abs=0.01)
    total_s = fast_s + (4 * TB - 25 * 2**30) / 5e6
    assert total_s / 3600 == pytest.approx(220.84, abs=0.01)
    times = [60.0 * poll for poll in range(241)]
    places = [min(t, fast_s) * 70e6 / (4 * TB) + max(0.0, t - fast_s) * 5e6 / (4 * TB) for t in times]
    for t, (_, left) in zip(times, middles_h(places, 60.0), strict=True):
        if t >= fast_s + 1800:
            assert left == pytest.approx((total_s - t) / 3600, rel=0.10)


def test_the_loss_of_quantiles_that_the_bench_prints() -> None:
    """Of a quantile q at tau: tau (y - q) above it (T. Gneiting, A. Raftery, JASA 102, 2007)."""
    said = Said(MONDAY, (14.0, 15.5, 17.0), 0.0)
    (mark,) = judged([said], MONDAY - timedelta(seconds=1.1), MONDAY + timedelta(seconds=20))
    assert mark.pinball == pytest.approx((0.1 * 6 + 0.5 * 4.5 + 0.9 * 3) / 3 / 20)
    assert not mark.covered
