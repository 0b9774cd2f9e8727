"""The benchmarks run small, so that they cannot rot; their figures are for people to read."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "benchmarks"
SMALL = {
    "delivery.py": ("--pages", "20"),
    "footprint.py": ("10",),
    "forecast.py": ("--runs", "1", "--largest", "1.2", "--kinds", "healthy", "bad-region", "throttled"),
    "fuzz.py": ("--inputs", "300"),
    "parsers.py": ("--repeats", "1"),
}


def test_every_benchmark_is_run() -> None:
    assert {path.name for path in FOLDER.glob("*.py")} == set(SMALL)


@pytest.mark.slow
@pytest.mark.parametrize("name", SMALL)
def test_it_prints_its_table(name: str) -> None:
    argv = [sys.executable, str(FOLDER / name), *SMALL[name]]
    done = subprocess.run(argv, check=False, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) >= 3
