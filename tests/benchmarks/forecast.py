"""Prints how good the forecast, the causes and the pages are on invented and recorded rebuilds.

``python tests/benchmarks/forecast.py [--runs N] [--jobs J]`` from the root: N invented rebuilds of each kind and
storage system, each with and without the drives' counters, then every recording that carries them. Forty runs take
about an hour. The physics of the simulator stand apart from what the forecaster assumes.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from statistics import fmean, median

sys.path.insert(0, str(Path(__file__).parent.parent))

from mendwatch import diagnosis, forecaster
from mendwatch.simulator import Kind
from support.forecast_bench import (
    AIMED_FROM,
    DUE_ABOVE,
    MARKS,
    Case,
    Mark,
    Measured,
    Said,
    cases,
    judged,
    play,
)
from support.rebuild_samples import WITH_COUNTERS, moment, recorded, steps
from support.recordings import truth

HARD_NATIVE = 0.10
STATES_AT = (10, 1000, 20000)


def rows(found: Sequence[Measured]) -> dict[tuple[str, str], list[Measured]]:
    """The measured rebuilds by kind and storage system."""
    by_kind: dict[tuple[str, str], list[Measured]] = {}
    for one in found:
        by_kind.setdefault((one.case.scenario.kind.value, one.case.scenario.system), []).append(one)
    return by_kind


def aimed(found: Iterable[Measured]) -> list[Mark]:
    """The marks for which aims are set."""
    return [mark for one in found for mark in one.marks if mark.mark >= AIMED_FROM]


def errors_table(found: Sequence[Measured]) -> None:
    """Error of the time left, ours beside the native formula carried on; coverage, width and pinball loss."""
    print(
        f"{'':<22}"
        + "".join(f"{f'at {mark:.0%}':>14}" for mark in MARKS)
        + "   10-75 %: ours native  aim  within width  loss"
    )
    for (kind, system), group in rows(found).items():
        told = []
        for mark in MARKS:
            here = [one for each in group for one in each.marks if one.mark == mark]
            told.append(
                f"{_mean([one.error for one in here]):>5.0%}/{_median([one.error for one in here]):<4.0%}"
                f"{_mean([one.native for one in here]):>4.0%}"
            )
        print(f"{system + ' ' + kind:<22}" + "".join(told) + _aim(aimed(group)))
    for system in ("zfs", "md"):
        # The end of a rebuild that stands still is not in sight, and none is given.
        moving = (one for one in found if one.case.scenario.kind is not Kind.STALLED)
        marks = aimed(one for one in moving if one.case.scenario.system == system)
        hard = [mark for mark in marks if mark.native > HARD_NATIVE]
        easy = [mark for mark in marks if mark.native <= HARD_NATIVE]
        for name, part in (("all but stalled", marks), ("native off > 10 %", hard), ("native within 10 %", easy)):
            if part:
                print(f"{system + ' ' + name:<92}" + _aim(part))


def _aim(marks: Sequence[Mark]) -> str:
    ours, native = _mean([mark.error for mark in marks]), _mean([mark.native for mark in marks])
    kept = ours <= native / 2 if native > HARD_NATIVE else ours <= native + 0.05
    widths = [mark.width for mark in marks if mark.width is not None]
    losses = [mark.pinball for mark in marks if mark.pinball is not None]
    return (
        f"   {ours:>14.1%} {native:>6.1%} {'kept' if kept else 'MISSED':>6}"
        f" {_mean([mark.covered for mark in marks]):>6.0%} {_median(widths):>5.2f} {_mean(losses):>6.3f}"
    )


def pages_table(found: Sequence[Measured]) -> None:
    """Delay of the page from the collapse, pages that were missed, pages in vain."""
    print(f"{'':<22}{'due':>5}{'missed':>8}{'median':>9}{'worst':>9}   pages in vain on quiet windows")
    for (kind, system), group in rows(found).items():
        due = [one for one in group if one.window_h >= DUE_ABOVE * one.limit_h]
        delays = [one.delay_s / 60 for one in due if one.delay_s is not None]
        quiet = [one for one in group if one not in due]
        timed = f"{_median(delays):>5.0f} min{max(delays):>5.0f} min" if delays else f"{'':>18}"
        print(
            f"{system + ' ' + kind:<22}{len(due):>5}{sum(not one.paged for one in due):>8}{timed}   "
            f"{sum(one.false_pages for one in quiet)} in {sum(one.days for one in quiet):.0f} days"
        )
    print(f"all: {sum(one.false_pages for one in found)} in {sum(one.days for one in found):.0f} rebuild-days")


def causes_table(found: Sequence[Measured]) -> None:
    """Share of the polls whose first cause was right, none where there was one, or wrong."""
    for (kind, system), group in rows(found).items():
        counted: Counter[str] = Counter()
        for one in group:
            counted += one.causes
        held = sum(count for verdict, count in counted.items() if verdict != "rightly none")
        polls = sum(counted.values()) or 1
        wrong = ", ".join(
            f"{verdict[7:]} {count / polls:.1%}" for verdict, count in counted.items() if "wrong" in verdict
        )
        right = f"{counted['right'] / held:.0%}" if held else "-"
        print(
            f"{system + ' ' + kind:<22} right {right:>5} of the polls with a cause; wrong in {wrong or 'none'} of all"
        )


def recorded_table() -> None:
    """The same on the recordings that carry the drives' counters, by the truth beside them."""
    print("recordings: error of the time left (ours/native not told) at " + ", ".join(f"{mark:.0%}" for mark in MARKS))
    for name in WITH_COUNTERS:
        known = truth(name)
        began, ended = moment(known["rebuild_began"]), moment(known["rebuild_ended"])
        state, seen = forecaster.begin(), diagnosis.begin()
        said, told = [], Counter[str]()
        for step in steps(recorded(name), known["array"]):
            seen = diagnosis.update(seen, step.sample, step.array)
            causes = tuple(found.cause for found in diagnosis.findings(seen, step.array))
            told[causes[0].value if causes else "none"] += 1
            state = forecaster.update(state, step.sample)
            made = forecaster.forecast(state, step.sample, forecaster.Circumstances(causes=causes))
            said.append(Said.of(step.sample.at, made.finish, 0.0))
        marks = judged(said, began, ended)
        causes_told = ", ".join(f"{cause} {count / sum(told.values()):.0%}" for cause, count in told.most_common())
        errors = "  ".join(f"{mark.error:>4.0%}{' ' if mark.covered else '*'}" for mark in marks)
        print(f"  {name:<30} {errors}   {causes_told}")
    print("  * the truth lay outside p10 to p90")


def cost_table(case: Case) -> None:
    """Processor time of one forecast at several polls: flat, since the memory of a rebuild is bounded."""
    samples = play(case, keep_samples=True).samples
    state = forecaster.begin()
    told = []
    for number in range(1, STATES_AT[-1] + 1):
        sample = samples[min(number, len(samples) - 1)]
        state = forecaster.update(state, sample)
        if number in STATES_AT:
            began = time.process_time()
            for _ in range(50):
                forecaster.forecast(forecaster.update(state, sample), sample)
            told.append(f"poll {number}: {(time.process_time() - began) / 50 * 1e3:.2f} ms")
    print("one forecast: " + ", ".join(told))


def _mean(values: Sequence[float]) -> float:
    return fmean(values) if values else 0.0


def _median(values: Sequence[float]) -> float:
    return median(values) if values else 0.0


def main() -> None:
    """Play, measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--runs", type=int, default=2, help="invented rebuilds of each kind and storage system")
    options.add_argument("--jobs", type=int, default=2, help="processes at a time")
    options.add_argument("--largest", type=float, default=6.0, help="size of the largest drives, in TB")
    options.add_argument("--kinds", nargs="*", default=[kind.value for kind in Kind], help="only these")
    chosen = options.parse_args()
    todo = [
        case
        for kind in chosen.kinds
        for system in ("zfs", "md")
        for case in cases(Kind(kind), system, chosen.runs, largest_tb=chosen.largest)
    ]
    began = time.monotonic()
    with ProcessPoolExecutor(chosen.jobs) as pool:
        found = list(pool.map(play, todo))
    for title, counters in (("with", True), ("without", False)):
        part = [one for one in found if one.case.counters is counters]
        print(f"\n== {title} the drives' counters: {len(part)} invented rebuilds, drives of 1 to {chosen.largest:g} TB")
        print("error of the time left, mean/median of ours, then mean of the native formula carried on")
        errors_table(part)
        print("\npages (due: the window exceeds its limit by a quarter or more)")
        pages_table(part)
        print("\ncauses")
        causes_table(part)
    print()
    recorded_table()
    print()
    cost_table(next(cases(Kind.SHINGLED, "md", 1, largest_tb=2.0)))
    polls, cpu_s = sum(one.polls for one in found), sum(one.cpu_s for one in found)
    print(
        f"{polls} polls through the whole pipeline, {polls / cpu_s:.0f} a second; "
        f"{time.monotonic() - began:.0f} s in all"
    )


if __name__ == "__main__":
    main()
