"""What others ask of the drives, by hour: offices by day, backups by night, no two days alike."""

from __future__ import annotations

from datetime import datetime
from random import Random
from zoneinfo import ZoneInfo

from mendwatch.simulator.scenario import Kind, Scenario

OFFICE_HOURS = range(8, 18)
SATURDAY = 5
QUIET_SHARE = 0.2
MOST = 0.5


class Load:
    """Users' share of the drives' time at any moment; the same for the same scenario."""

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._zone = ZoneInfo(scenario.zone)
        # Chance here invents a story and protects nothing. One of its own, so that load changes no other draw.
        rng = Random(f"load {scenario.seed}")  # noqa: S311
        begin = rng.randrange(20, 27)
        self._backup_hours = frozenset(hour % 24 for hour in range(begin, begin + rng.randrange(2, 6)))
        self._job_from_h = rng.uniform(1, 5)
        self._job_hours = rng.uniform(5, 16)
        self._job_load = rng.uniform(0.25, 0.42)

    def at(self, when: datetime) -> float:
        """The share, 0 to 0.5."""
        scenario = self._scenario
        local = when.astimezone(self._zone)
        busy = local.weekday() < SATURDAY and local.hour in OFFICE_HOURS
        load = scenario.office_load * (1.0 if busy else QUIET_SHARE)
        if scenario.backup_load and local.hour in self._backup_hours:
            load = max(load, scenario.backup_load)
        if scenario.unsteady:
            hour = Random(f"{scenario.seed} {local:%Y-%m-%d %H}")  # noqa: S311 - as above
            load *= hour.lognormvariate(0, 2 * scenario.unsteady)
        if scenario.kind is Kind.BUSY_HOST:
            since_h = (when - scenario.replaced_at).total_seconds() / 3600 - self._job_from_h
            load += self._job_load if 0 <= since_h < self._job_hours else 0.0
        return min(MOST, load)
