"""Which alert is due, as data, and what stands: one alert per condition, reminders while a page stands."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

from mendwatch.model.alert import Alert, AlertKind, Fact, Level, alert_id
from mendwatch.model.policy import HostPolicy
from mendwatch.model.records import Finding, Quantiles
from mendwatch.model.state import ArrayState, Memory, RunState, Standing, Track, WindowState

ORDER = {kind: number for number, kind in enumerate(AlertKind)}


@dataclass(slots=True)
class Docket:
    """The list on which the judges of one poll put their alerts.

    Attributes:
        at: the poll's time; steady_s: since the poll before.
        standing: conditions that have not ended, changed as the judges go.
        raised: the alerts of this poll.
    """

    policy: HostPolicy
    track: Track
    at: datetime
    steady_s: float
    observed_s: float
    standing: dict[str, Standing]
    raised: list[Alert] = field(default_factory=list)

    def raise_once(
        self,
        kind: AlertKind,
        level: Level,
        condition: str,
        state: ArrayState | None,
        *,
        facts: Mapping[str, Fact] | None = None,
        run: RunState | None = None,
        window: WindowState | None = None,
        limit_s: float | None = None,
        stands: bool = True,
    ) -> None:
        """Raise an alert unless its condition stands already; ``stands`` False is for what is over at once."""
        if condition in self.standing:
            return
        alert = self._alert(kind, level, condition, state, facts or {}, run, window, limit_s)
        self.raised.append(alert)
        if stands:
            self.standing[condition] = Standing(alert)

    def end(self, *prefixes: str) -> list[Alert]:
        """End the conditions whose names begin so; returns the alerts that stood."""
        ended = [name for name in self.standing if name.startswith(prefixes)]
        return [self.standing.pop(name).alert for name in ended]

    def _alert(
        self,
        kind: AlertKind,
        level: Level,
        condition: str,
        state: ArrayState | None,
        facts: Mapping[str, Fact],
        run: RunState | None,
        window: WindowState | None,
        limit_s: float | None,
    ) -> Alert:
        return Alert(
            id=alert_id(self.policy.host, self.track.source, condition, kind, 0),
            at=self.at,
            kind=kind,
            level=level,
            condition=condition,
            reminder=0,
            host=self.policy.host,
            system=state.array.system if state is not None else self.track.source,
            array=state.array.name if state is not None else "",
            array_id=state.key if state is not None else "",
            rebuild=run.id if run is not None else None,
            window=window.id if window is not None else None,
            redundancy_left=state.left if state is not None else None,
            redundancy_full=(window.full if window is not None else state.full) if state is not None else None,
            finish=_finish(run),
            limit_hours=limit_s / 3600 if limit_s is not None else None,
            causes=_causes(run),
            facts=dict(facts),
        )

    def remind(self) -> None:
        """Repeat the pages that have stood quietly for long enough, with today's figures."""
        said_now = {alert.condition for alert in self.raised}
        for condition, standing in list(self.standing.items()):
            if condition in said_now:
                continue
            alert = standing.alert
            quiet_s = standing.quiet_s + self.steady_s
            state = self.track.arrays.get(alert.array_id)
            pauses = self.policy.for_array(alert.array).remind_after_s
            due = pauses and alert.level is Level.PAGE and quiet_s >= pauses[min(alert.reminder, len(pauses) - 1)]
            if due and _still_as_bad(alert, state):
                number = alert.reminder + 1
                run = _run_of(alert, state)
                alert = replace(
                    alert,
                    id=alert_id(alert.host, self.track.source, condition, alert.kind, number),
                    at=self.at,
                    reminder=number,
                    redundancy_left=state.left if state is not None else alert.redundancy_left,
                    finish=_finish(run) if run is not None else alert.finish,
                    causes=_causes(run) if run is not None else alert.causes,
                    facts={**alert.facts, **_fresh(alert, state, run)},
                )
                self.raised.append(alert)
                quiet_s = 0.0
            self.standing[condition] = Standing(alert, quiet_s)

    def in_order(self) -> tuple[Alert, ...]:
        """The alerts of this poll in the order in which they are told."""
        return tuple(sorted(self.raised, key=lambda alert: (ORDER[alert.kind], alert.array)))


def _still_as_bad(alert: Alert, state: ArrayState | None) -> bool:
    """A page about lost redundancy is not repeated while part of it is back."""
    if alert.kind is not AlertKind.REDUNDANCY_REDUCED or state is None or state.left is None:
        return True
    return alert.redundancy_left is None or state.left <= alert.redundancy_left


def _run_of(alert: Alert, state: ArrayState | None) -> RunState | None:
    if state is None:
        return None
    return next((run for run in state.rebuilds if alert.rebuild in {None, run.id}), None)


def _fresh(alert: Alert, state: ArrayState | None, run: RunState | None) -> dict[str, Fact]:
    """The figures of an alert as they are today, those of them that it tells at all."""
    today: dict[str, Fact] = {}
    level = alert.facts.get("level")
    if state is not None and state.window is not None and isinstance(level, int):
        today["elapsed_hours"] = state.window.clocks_s.get(level, 0.0) / 3600
    if run is not None:
        today["done"] = run.done
        today["for_hours"] = run.still_s / 3600
        today["rate_bytes_per_s"] = run.forecast.rate_bytes_per_s if run.forecast is not None else None
        hours = run.window_hours
        today["window_hours"] = None if hours is None else {"p10": hours.p10, "p50": hours.p50, "p90": hours.p90}
    return {name: value for name, value in today.items() if name in alert.facts}


def _finish(run: RunState | None) -> Quantiles | None:
    return run.forecast.finish if run is not None and run.forecast is not None else None


def _causes(run: RunState | None) -> tuple[Finding, ...]:
    return run.causes if run is not None else ()


def page_if(wake: bool) -> Level:  # noqa: FBT001 - the one question that a level answers
    """A page if somebody must be woken, else a notice."""
    return Level.PAGE if wake else Level.NOTICE


def forget(memory: Memory, keep_windows: Iterable[str], keep_runs: Iterable[str]) -> Memory:
    """The memory without what can never matter again."""
    windows, runs = set(keep_windows), set(keep_runs)
    return replace(
        memory,
        said={name: said for name, said in memory.said.items() if name in windows},
        underway=tuple(name for name in memory.underway if name in runs),
    )
