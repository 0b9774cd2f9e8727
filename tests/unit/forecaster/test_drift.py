from __future__ import annotations

from math import log

import pytest

from mendwatch.forecaster.drift import Drift, left_s, median_slope


def test_median_slope_on_the_example_of_its_author() -> None:
    # P. K. Sen, JASA 63 (1968), the worked example as scipy's tests hold it: slope 4.
    places = [1, 2, 3, 4, 10, 12, 18]
    assert median_slope(places, [9, 15, 19, 20, 45, 55, 78]) == pytest.approx(4.0, abs=1e-9)


@pytest.mark.parametrize(
    ("done", "hours"),
    # 4 TB, 180 falling to 80 MB/s, linear in the place: the closed form S/(r0-r1) ln(r/r1), computed independently.
    [(0.10, 8.375), (0.25, 7.349), (0.50, 5.395), (0.75, 3.021), (0.90, 1.309)],
)
def test_time_left_over_the_zones_agrees_with_the_closed_form(done: float, hours: float) -> None:
    here = 180e6 - 100e6 * done
    found = Drift(here / 4e12, -100e6 / here, 0.0)
    assert left_s(found, 1 - done, found.per_share) / 3600 == pytest.approx(hours, abs=2e-3)
    assert 4e12 / 100e6 * log(here / 80e6) / 3600 == pytest.approx(hours, abs=2e-3)


def test_no_drift_is_the_plain_quotient() -> None:
    assert left_s(Drift(2e-5, 0.0, 0.0), 0.5, 0.0) == pytest.approx(25_000)
    assert left_s(Drift(2e-5, 0.0, 0.0), 0.5, -1e-5) == pytest.approx(25_000, rel=1e-4)
