"""From the samples of one rebuild to its end as a distribution; pure, and no dearer at the last poll than at the first.

The three functions are all that the other stages use: :func:`begin`, :func:`update` once for each sample, and
:func:`forecast` whenever the end is asked for.
"""

from mendwatch.forecaster.forecast import Circumstances, forecast
from mendwatch.forecaster.state import ForecastState, begin, update
from mendwatch.forecaster.week import Week, expected

__all__ = ["Circumstances", "ForecastState", "Week", "begin", "expected", "forecast", "update"]
