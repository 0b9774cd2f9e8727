"""Prints how good the forecast and the causes are on invented and recorded rebuilds.

Run with ``python tests/benchmarks/forecast.py [--seeds N]`` from the root; a few minutes for many seeds.
The invented rebuilds come from the simulator, whose physics know nothing of the forecaster's assumptions.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from statistics import fmean, median

sys.path.insert(0, str(Path(__file__).parent.parent))

from mendwatch import diagnosis, forecaster
from mendwatch.simulator import Kind, Scenario, captures
from support.rebuild_samples import WITH_COUNTERS, Step, moment, recorded, steps, truth

MARKS = (0.05, 0.10, 0.25, 0.50, 0.75)


@dataclass
class Score:
    """What was measured of one kind of rebuild: relative errors at the marks, coverage, causes, cost."""

    errors: dict[float, list[float]] = field(default_factory=lambda: {mark: [] for mark in MARKS})
    covered: list[bool] = field(default_factory=list)
    causes: Counter[str] = field(default_factory=Counter)
    cpu_ms: list[float] = field(default_factory=list)


def measure(score: Score, played: Iterable[Step], true_s: float | None) -> None:
    """Play one rebuild; its true length is that of the samples unless it is told."""
    samples = list(played)
    total_s = true_s if true_s is not None else samples[-1].sample.elapsed_s
    state, seen = forecaster.begin(), diagnosis.begin()
    marks = list(MARKS)
    began = time.process_time()
    for step in samples:
        sample = step.sample
        state = forecaster.update(state, sample)
        finish = forecaster.forecast(state, sample, None).finish
        seen = diagnosis.update(seen, sample, step.array)
        found = diagnosis.findings(seen, step.array)
        score.causes[found[0].cause.value if found else "none"] += 1
        left_s = total_s - sample.elapsed_s
        if not marks or sample.elapsed_s < marks[0] * total_s or left_s <= 0:
            continue
        mark = marks.pop(0)
        if finish is None or finish.p50 is None:
            score.errors[mark].append(1.0)
            score.covered.append(finish is not None)
            continue
        ends = [
            (end - sample.at).total_seconds() if end else float("inf") for end in (finish.p10, finish.p50, finish.p90)
        ]
        score.errors[mark].append(min(1.0, abs(ends[1] - left_s) / left_s))
        score.covered.append(ends[0] <= left_s <= ends[2])
    score.cpu_ms.append((time.process_time() - began) / len(samples) * 1000)


def show(title: str, score: Score) -> None:
    """Print one line of the table."""
    errors = "  ".join(f"{fmean(values):4.0%}/{median(values):4.0%}" for values in score.errors.values() if values)
    polls = sum(score.causes.values())
    causes = ", ".join(f"{cause} {count / polls:.1%}" for cause, count in score.causes.most_common())
    covered = fmean(score.covered) if score.covered else 0.0
    print(f"{title:<28} {errors}  covered {covered:4.0%}  {fmean(score.cpu_ms):.2f} ms/poll  {causes}")


def main() -> None:
    """Measure and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--seeds", type=int, default=1)
    seeds = options.parse_args().seeds
    print("mean/median error of the time left at", ", ".join(f"{mark:.0%}" for mark in MARKS), "of the true duration")
    for kind in Kind:
        for system in ("zfs", "md"):
            score = Score()
            for seed in range(seeds):
                size_bytes, drives = (2 + 4 * (seed % 6)) * 10**12, 4 + 2 * (seed % 5)
                load = 0.02 + 0.05 * (seed % 4)
                scenario = Scenario(kind, system, drives, size_bytes, office_load=load, seed=seed)
                measure(score, steps(captures(scenario), scenario.array_name), None)
            show(f"{system} {kind.value}", score)
    for name in WITH_COUNTERS:
        score = Score()
        known = truth(name)
        true_s = (moment(known["rebuild_ended"]) - moment(known["rebuild_began"])).total_seconds()
        measure(score, steps(recorded(name), known["array"]), true_s)
        show(name, score)


if __name__ == "__main__":
    main()
