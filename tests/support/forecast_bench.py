"""Plays invented rebuilds through the whole pipeline and holds what was said against what became of them.

Truth is what would happen if nobody intervened: a limit that is lifted by hand counts as lifted only from then on.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from random import Random

from mendwatch import cycle
from mendwatch.model.alert import Alert, AlertKind, Level
from mendwatch.model.capture import Capture
from mendwatch.model.plugin import Parser
from mendwatch.model.policy import ArrayPolicy, HostPolicy
from mendwatch.model.records import Cause, Quantiles, Sample
from mendwatch.parsers.md import PARSER as MD
from mendwatch.parsers.zfs import PARSER as ZFS
from mendwatch.simulator import Blame, Kind, Scenario, Story

MARKS = (0.05, 0.10, 0.25, 0.50, 0.75)
AIMED_FROM = 0.10  # the aims are set from this mark on
PARSERS: dict[str, Parser] = {"zfs": ZFS, "md": MD}
ZONES = ("UTC", "Europe/Vienna", "America/New_York")
SLOWER_PACE_S, SLOWER_AFTER_S = 170.0, 36 * 3600.0
LIMIT_FACTOR, LIMIT_LEAST_H, USUAL_BYTES_PER_S = 2.0, 24.0, 72e6
QUIET_BELOW, DUE_ABOVE = 0.8, 1.25
SETTLED_S = 900.0
BUSY_USERS = 0.1
TAUS = (0.1, 0.5, 0.9)
EXPECTED = {
    Blame.LIMIT: {Cause.THROTTLED},
    Blame.SOURCE: {Cause.SLOW_READER},
    Blame.ALL: {Cause.SCATTERED_LAYOUT},
}
BY_TARGET = {
    Kind.SHINGLED: {Cause.SHINGLED_WRITER},
    Kind.STALLED: {Cause.NOT_MOVING},
    Kind.SLOW_LINK: {Cause.SLOW_LINK},
}


@dataclass(frozen=True, slots=True)
class Case:
    """One rebuild to play: a scenario, with or without the drives' counters."""

    scenario: Scenario
    counters: bool = True


@dataclass(frozen=True, slots=True)
class Mark:
    """What was said at one share of the true duration; all in shares of the true time left.

    Attributes:
        error, native: of the projected and the native time left, 1 at most.
        covered: the truth lay within p10 to p90; width: of that range, None if its end was not in sight.
        pinball: mean loss of the three quantiles (Koenker and Bassett, Econometrica 46, 1978).
    """

    mark: float
    error: float
    native: float
    covered: bool
    width: float | None
    pinball: float | None


@dataclass(slots=True)
class Measured:
    """What came of one rebuild.

    Attributes:
        window_h: its window if nobody intervenes; limit_h: what the policy allows.
        delay_s: from when it was held up to the page, None without a page.
        false_pages: pages on a window that stays well within its limit; days: that it was watched.
        causes: polls by how the first cause stood to the truth.
    """

    case: Case
    marks: list[Mark] = field(default_factory=list)
    window_h: float = 0.0
    limit_h: float = 0.0
    delay_s: float | None = None
    paged: bool = False
    false_pages: int = 0
    days: float = 0.0
    causes: Counter[str] = field(default_factory=Counter)
    polls: int = 0
    cpu_s: float = 0.0
    samples: list[Sample] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Said:
    """What was said at one poll: seconds left as quantiles, and by the native formula; how the cause stood."""

    at: datetime
    left_s: tuple[float, float, float] | None
    native_s: float
    verdict: str | None = None

    @classmethod
    def of(cls, at: datetime, finish: Quantiles | None, native_s: float, verdict: str | None = None) -> Said:
        """From the projected end; one that is not in sight lies infinitely far."""
        if finish is None:
            return cls(at, None, native_s, verdict)
        p10, p50, p90 = (
            math.inf if end is None else max(0.0, (end - at).total_seconds())
            for end in (finish.p10, finish.p50, finish.p90)
        )
        return cls(at, (p10, p50, p90), native_s, verdict)


def invent(kind: Kind, system: str, number: int, *, largest_tb: float = 24.0) -> Scenario:
    """A scenario of this kind, everything else drawn at random from the number."""
    rng = Random(f"{kind} {system} {number}")
    late = kind is Kind.SHINGLED and number % 3 == 2
    lifted = kind is Kind.THROTTLED and number % 2 == 1
    return Scenario(
        kind=kind,
        system=system,
        drives=rng.randint(4, 12),
        size_bytes=int(math.exp(rng.uniform(math.log(1.0), math.log(largest_tb))) * 1e12),
        start=datetime(2026, 3, 2, tzinfo=UTC) + timedelta(hours=rng.uniform(0, 168)),
        zone=rng.choice(ZONES),
        office_load=rng.uniform(0.0, 0.15),
        backup_load=rng.choice((0.0, rng.uniform(0.1, 0.35))),
        unsteady=rng.uniform(0.02, 0.1),
        history_days=14.0 if number % 2 == 0 else 0.0,
        late_onset=late,
        lifted_after_s=rng.uniform(4, 30) * 3600 if lifted else None,
        wait_s=rng.uniform(600, 6 * 3600),
        seed=rng.randrange(1 << 30),
    )


def play(case: Case, *, keep_samples: bool = False) -> Measured:
    """Play one rebuild and measure it."""
    scenario = case.scenario
    usual_h = scenario.size_bytes / USUAL_BYTES_PER_S / 3600
    limit_h = max(LIMIT_LEAST_H, LIMIT_FACTOR * usual_h)
    limits = dict.fromkeys(range(scenario.parity), limit_h * 3600)
    host = HostPolicy(scenario.host, default=ArrayPolicy(window_limit_s=limits))
    found = Measured(case, limit_h=limit_h)
    story, state, parser = Story(scenario), cycle.begin(scenario.system), PARSERS[scenario.system]
    said: list[Said] = []
    pages: list[tuple[datetime, AlertKind]] = []
    for capture in story.captures():
        began = time.process_time()
        step = cycle.step(state, capture if case.counters else _blind(capture), parser, host)
        found.cpu_s += time.process_time() - began
        found.polls += 1
        state = step.state
        said += [_said(progress.sample, story, case) for progress in step.progress]
        if keep_samples:
            found.samples += step.commit.samples
        pages += [(alert.at, alert.kind) for alert in step.commit.alerts if _projects(alert)]
        if capture.at - scenario.replaced_at > timedelta(seconds=SLOWER_AFTER_S):
            story.pace_s = SLOWER_PACE_S
    _judge(found, story, said, pages)
    return found


def _projects(alert: Alert) -> bool:
    """Whether it wakes somebody for how a rebuild goes; one that waits for a second drive is right to."""
    return alert.level is Level.PAGE and alert.facts.get("reason") != "waiting"


def _blind(capture: Capture) -> Capture:
    return replace(capture, disks={}, partitions={}, array_devices={}, links={}, drives={})


def _said(sample: Sample, story: Story, case: Case) -> Said:
    finish = sample.forecast.finish if sample.forecast is not None else None
    native = (sample.native_finish - sample.at).total_seconds() if sample.native_finish else _carried_on(story)
    return Said.of(sample.at, finish, native, _verdict(sample, story, case))


def _carried_on(story: Story) -> float:
    """The native formula where the tool prints nothing: the mean rate of the pass."""
    scene = story.scene
    return (1 - scene.share) / scene.pass_share * scene.pass_s if scene.pass_share > 0 else math.inf


def _verdict(sample: Sample, story: Story, case: Case) -> str | None:
    """How the first cause stands to the truth; None where the truth has not settled."""
    since = story.held_since
    if since is not None and timedelta() <= sample.at - since < timedelta(seconds=SETTLED_S):
        return None
    told = sample.causes[0].cause if sample.causes else None
    kind = case.scenario.kind
    wanted = BY_TARGET.get(kind, set()) if story.blame is Blame.TARGET else EXPECTED.get(story.blame, set())
    allowed = wanted | ({Cause.BUSY_HOST} if story.users >= BUSY_USERS else set())
    if kind is Kind.BUSY_HOST and story.users > 0.25:
        wanted = {Cause.BUSY_HOST}
    if told is None:
        return "none" if wanted else "rightly none"
    return "right" if told in allowed else f"wrong: {told.value}"


def _judge(found: Measured, story: Story, said: list[Said], pages: list[tuple[datetime, AlertKind]]) -> None:
    scenario = found.case.scenario
    ended = story.scene.ended
    assert ended is not None
    untouched = _untouched_end(scenario) if scenario.lifted_after_s is not None else ended
    lifted = story.held_since + timedelta(seconds=scenario.lifted_after_s or 0) if story.held_since else ended
    found.window_h = (untouched - scenario.lost_at).total_seconds() / 3600
    found.days = (ended - scenario.lost_at).total_seconds() / 86400
    found.causes.update(one.verdict for one in said if one.verdict is not None)
    found.marks = judged(said, scenario.replaced_at, ended, lambda at: untouched if at < lifted else ended)
    over = [at for at, kind in pages if kind is AlertKind.WINDOW_OVER_POLICY]
    found.paged = bool(over)
    if over and story.held_since is not None:
        found.delay_s = (over[0] - max(story.held_since, scenario.replaced_at)).total_seconds()
    if found.window_h <= QUIET_BELOW * found.limit_h:
        wrong = {AlertKind.WINDOW_OVER_POLICY} | ({AlertKind.REBUILD_STALLED} - _stalls(scenario))
        found.false_pages = sum(kind in wrong for _, kind in pages)


def judged(
    said: list[Said], began: datetime, ended: datetime, true_end: Callable[[datetime], datetime] | None = None
) -> list[Mark]:
    """What was said at each mark of the true duration, against the true end as it stood then."""
    marks = list(MARKS)
    total_s = (ended - began).total_seconds()
    found = []
    for one in said:
        left_s = ((true_end(one.at) if true_end is not None else ended) - one.at).total_seconds()
        if marks and (one.at - began).total_seconds() >= marks[0] * total_s and left_s > 0:
            found.append(_mark(marks.pop(0), one, left_s))
    return found


def _stalls(scenario: Scenario) -> set[AlertKind]:
    return {AlertKind.REBUILD_STALLED} if scenario.kind is Kind.STALLED else set()


def _untouched_end(scenario: Scenario) -> datetime:
    story = Story(replace(scenario, lifted_after_s=None, history_days=0.0))
    for _ in story.captures():
        story.pace_s = SLOWER_PACE_S
    assert story.scene.ended is not None
    return story.scene.ended


def _mark(mark: float, one: Said, left_s: float) -> Mark:
    native = min(1.0, abs(one.native_s - left_s) / left_s)
    if one.left_s is None:
        return Mark(mark, 1.0, native, covered=False, width=None, pinball=None)
    p10, p50, p90 = one.left_s
    pinball = None
    if math.isfinite(p90):
        losses = [max(tau * (left_s - q), (tau - 1) * (left_s - q)) for tau, q in zip(TAUS, one.left_s, strict=True)]
        pinball = sum(losses) / len(losses) / left_s
    return Mark(
        mark=mark,
        error=min(1.0, abs(p50 - left_s) / left_s),
        native=native,
        covered=p10 <= left_s <= p90,
        width=(p90 - p10) / left_s if math.isfinite(p90) else None,
        pinball=pinball,
    )


def cases(kind: Kind, system: str, runs: int, *, largest_tb: float = 24.0) -> Iterator[Case]:
    """So many rebuilds of a kind, each with and without the drives' counters."""
    for number in range(runs):
        scenario = invent(kind, system, number, largest_tb=largest_tb)
        yield Case(scenario)
        yield Case(scenario, counters=False)
