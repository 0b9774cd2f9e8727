"""Damages the polls of all recordings by chance: no parser may crash, take long, or call a degraded array whole.

    python tests/benchmarks/fuzz.py [--inputs N] [--seed S] [--only NUMBER]

Prints how many inputs were tried, by mutation and system, the slowest ones, and each violation with how to see it
again. Ends with 1 if there was any.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1]))

from mendwatch.testing.cases import understood
from support import damaging, judging
from support.damaging import Damaged, Seeds
from support.mutations import ALL

LARGE_SHARE = 0.0005
SHOWN = 40
LARGE = 1_000_000
# The parts of a text, each stripped, in a list: an honest parser has them several times over.
MOST_BYTES_PER_CHARACTER = 100


def main() -> int:
    """Run and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--inputs", type=int, default=20_000)
    options.add_argument("--seed", default="1")
    options.add_argument("--source", action="append", help="only polls of this one; may be given again")
    options.add_argument("--only", type=int, help="the number of one input, to see it again")
    told = options.parse_args()
    polls = damaging.seeds()
    groups = [group for named in polls.values() for group in named.values()]
    print(f"{sum(map(len, groups))} polls of {len(groups)} recordings and cases of {len(polls)} systems")
    if told.only is not None:
        return _show(damaging.damage(Random(f"{told.seed}:{told.only}"), polls, LARGE_SHARE, told.source or ()))
    return _run(polls, told.inputs, told.seed, told.source or ())


def _run(polls: Seeds, inputs: int, seed: str, sources: Sequence[str]) -> int:
    tried: Counter[tuple[str, str]] = Counter()
    slowest: list[tuple[float, str]] = []
    peak, violations = 0.0, Counter[str]()
    began = time.monotonic()
    for number in range(inputs):
        damaged = damaging.damage(Random(f"{seed}:{number}"), polls, LARGE_SHARE, sources)
        source = damaged.capture.source
        tried[damaged.mutation.name, source] += 1
        wrongs, spent_s = judging.tried(damaged)
        if len(damaged.text) > LARGE:
            peak = max(peak, used := judging.peak_per_character(damaged))
            wrongs += [f"{used:.0f} bytes for each character"] if used > MOST_BYTES_PER_CHARACTER else []
        slowest = sorted([*slowest, (spent_s, f"input {number}: {damaged.origin}, {len(damaged.text)} characters")])[
            -5:
        ]
        for wrong in wrongs:
            violations[f"{source}, {damaged.mutation.name}"] += 1
            if violations.total() <= SHOWN:
                print(f"--seed {seed} --only {number}: {damaged.origin}: {wrong}")
    _table(tried, time.monotonic() - began)
    print(f"memory: at most {peak:.1f} bytes for each character of a text above 1 MB")
    print("slowest:", *(f"  {spent_s:.3f} s, {origin}" for spent_s, origin in reversed(slowest)), sep="\n")
    print(
        f"violations: {violations.total()}",
        *(f"  {count} {what}" for what, count in violations.most_common()),
        sep="\n",
    )
    return 1 if violations else 0


def _table(tried: Counter[tuple[str, str]], spent_s: float) -> None:
    systems = sorted({source for _, source in tried})
    print(f"{'inputs':<42}", *(f"{source:>8}" for source in systems))
    for mutation in ALL:
        print(f"{mutation.name:<42}", *(f"{tried[mutation.name, source]:>8}" for source in systems))
    totals = (sum(count for (_, named), count in tried.items() if named == source) for source in systems)
    print(f"{'all':<42}", *(f"{total:>8}" for total in totals))
    print(f"{tried.total()} inputs in {spent_s:.0f} s")


def _show(damaged: Damaged) -> int:
    """One input in full: the text, what is understood of it, and what is wrong with that."""
    print(damaged.origin)
    print(damaged.text[:20_000])
    wrongs, spent_s = judging.tried(damaged)
    print(f"{spent_s:.3f} s, at most {judging.peak_per_character(damaged):.1f} bytes for each character")
    told = understood(judging.parsers()[damaged.capture.source], damaged.capture)
    print(told)
    print(*wrongs, sep="\n")
    return 1 if wrongs else 0


if __name__ == "__main__":
    sys.exit(main())
