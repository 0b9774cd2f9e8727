"""What can hold a rebuild up, one class each: how fast it still goes, for how long, and who is to blame.

References, beside what is drawn at random:
- a drive-managed shingled drive takes some 25 GiB at full rate (Aghayev and Desnoyers, "Skylight", FAST 2015; from
  memory), then bursts and pauses come to 5 MB/s: 9 to 9.5 days for 4 TB (common practice, no source); a sequential
  fill can look healthy for long before that (public OpenZFS issue 10214);
- a drive that reads a bad region again and again falls to a few MB/s there (common practice, no source);
- a link of the first SATA generation carries 150 MB/s, USB 2.0 some 35 (both standards' line codes);
- a rebuild that follows scattered metadata reads small blocks all over: a rotating drive serves some 100 to 200 of
  them a second (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from random import Random
from typing import Protocol

from mendwatch.simulator.scenario import Kind, Scenario

GIB = 2**30
STRETCH_S = 300.0


class Blame(StrEnum):
    """Who keeps the rebuild from going faster."""

    NOBODY = "nobody"
    LIMIT = "limit"
    TARGET = "target"
    SOURCE = "source"
    ALL = "all"


@dataclass(frozen=True, slots=True)
class Hold:
    """A stretch: its rate in bytes a second, for how many seconds it stays so, and who is to blame."""

    rate: float
    lasts_s: float = STRETCH_S
    blame: Blame = Blame.NOBODY


class Brake(Protocol):
    """One way of holding a rebuild up."""

    def hold(self, done_bytes: float, best: float) -> Hold:
        """How it goes from here, where ``best`` is what the drives could do."""
        ...

    def spend(self, written_bytes: float, span_s: float) -> None:
        """So much was written in this stretch."""
        ...


class Free:
    """Nothing holds it up."""

    def hold(self, done_bytes: float, best: float) -> Hold:  # noqa: ARG002 - the protocol's
        """At full rate."""
        return Hold(best)

    def spend(self, written_bytes: float, span_s: float) -> None:
        """Nothing to spend."""


class Shingled:
    """The new drive is fast while its cache lasts, then alternates bursts and pauses."""

    def __init__(self, scenario: Scenario, rng: Random) -> None:
        self._cache_bytes = rng.uniform(20, 30) * GIB
        self._cleaning = 1e6 * rng.uniform(4.93, 5.07)
        if scenario.late_onset:
            # A long stretch in order of blocks goes straight to its place, and by-passes the cache.
            self._cache_bytes += rng.uniform(0.02, 0.5) * scenario.write_bytes
        self._burst_s = self._pause_s = 0.0
        self._rng = rng

    def hold(self, done_bytes: float, best: float) -> Hold:  # noqa: ARG002 - the protocol's
        """Full rate, a burst or a pause."""
        if self._cache_bytes > 0:
            return Hold(best, min(STRETCH_S, self._cache_bytes / best + 1e-3))
        if self._burst_s <= 0 and self._pause_s <= 0:
            self._burst_s = self._rng.uniform(4, 12)
            cycle_s = self._burst_s * best / self._cleaning
            self._pause_s = (cycle_s - self._burst_s) * self._rng.uniform(0.8, 1.2)
        if self._pause_s > 0:
            return Hold(0.0, self._pause_s, Blame.TARGET)
        return Hold(best, self._burst_s, Blame.TARGET)

    def spend(self, written_bytes: float, span_s: float) -> None:
        """Off the cache, the pause or the burst."""
        if self._cache_bytes > 0:
            self._cache_bytes -= written_bytes
        elif written_bytes == 0:
            self._pause_s -= span_s
        else:
            self._burst_s -= span_s


class Stalled:
    """The new drive takes nothing for hours, then goes on."""

    def __init__(self, scenario: Scenario, rng: Random) -> None:
        self._from_bytes = scenario.write_bytes * rng.uniform(0.25, 0.5)
        self._left_s = rng.uniform(2, 4) * 3600

    def hold(self, done_bytes: float, best: float) -> Hold:
        """Full rate up to the place, then nothing."""
        if done_bytes < self._from_bytes:
            return Hold(best, min(STRETCH_S, (self._from_bytes - done_bytes) / best + 1e-3))
        return Hold(0.0, self._left_s, Blame.TARGET) if self._left_s > 0 else Hold(best)

    def spend(self, written_bytes: float, span_s: float) -> None:
        """Off the standstill."""
        if written_bytes == 0:
            self._left_s -= span_s


class Throttled:
    """A limit is set early on; it stays, or somebody lifts it after some hours."""

    def __init__(self, scenario: Scenario, rng: Random) -> None:
        self._from_bytes = scenario.write_bytes * rng.uniform(0.04, 0.15)
        self.limit_bytes_per_s = 1024 * round(rng.uniform(5000, 12000), -2)
        self._left_s = scenario.lifted_after_s
        self.held = False

    def hold(self, done_bytes: float, best: float) -> Hold:
        """Full rate up to the place, then the limit while it is set."""
        if done_bytes < self._from_bytes:
            return Hold(best, min(STRETCH_S, (self._from_bytes - done_bytes) / best + 1e-3))
        self.held = self._left_s is None or self._left_s > 0
        if not self.held:
            return Hold(best)
        lasts_s = STRETCH_S if self._left_s is None else min(STRETCH_S, self._left_s)
        return Hold(min(best, self.limit_bytes_per_s), lasts_s, Blame.LIMIT)

    def spend(self, written_bytes: float, span_s: float) -> None:  # noqa: ARG002 - the protocol's
        """Off the time until it is lifted."""
        if self.held and self._left_s is not None:
            self._left_s -= span_s


class BadRegion:
    """One source reads a region of its surface again and again, and is well behind it."""

    def __init__(self, scenario: Scenario, rng: Random) -> None:
        self._from_bytes = scenario.write_bytes * rng.uniform(0.1, 0.7)
        self._to_bytes = self._from_bytes + scenario.write_bytes * rng.uniform(0.004, 0.02)
        self._rate = 1e6 * rng.uniform(4, 14)

    def hold(self, done_bytes: float, best: float) -> Hold:
        """Full rate but within the region."""
        if done_bytes < self._from_bytes:
            return Hold(best, min(STRETCH_S, (self._from_bytes - done_bytes) / best + 1e-3))
        if done_bytes >= self._to_bytes:
            return Hold(best)
        rate = min(best, self._rate)
        return Hold(rate, min(STRETCH_S, (self._to_bytes - done_bytes) / rate + 1e-3), Blame.SOURCE)

    def spend(self, written_bytes: float, span_s: float) -> None:
        """Nothing to spend."""


class SlowLink:
    """The new drive's link carries no more, whatever the media could."""

    def __init__(self, rng: Random) -> None:
        self._rate = 1e6 * rng.uniform(30, 38)

    def hold(self, done_bytes: float, best: float) -> Hold:  # noqa: ARG002 - the protocol's
        """What the link carries."""
        return Hold(min(best, self._rate), STRETCH_S, Blame.TARGET if best > self._rate else Blame.NOBODY)

    def spend(self, written_bytes: float, span_s: float) -> None:
        """Nothing to spend."""


class Scattered:
    """All sources read small blocks all over: slow, and unsteady by how the data lie."""

    def __init__(self, rng: Random) -> None:
        self._rate = 1e6 * rng.uniform(9, 28)
        self._swing = 1.0
        self._left_s = 0.0
        self._rng = rng

    def hold(self, done_bytes: float, best: float) -> Hold:  # noqa: ARG002 - the protocol's
        """Slow, by the half hour another."""
        if self._left_s <= 0:
            self._left_s = self._rng.uniform(900, 2700)
            self._swing = self._rng.lognormvariate(0, 0.3)
        return Hold(min(best, self._rate * self._swing), min(STRETCH_S, self._left_s), Blame.ALL)

    def spend(self, written_bytes: float, span_s: float) -> None:  # noqa: ARG002 - the protocol's
        """Off the stretch of alike data."""
        self._left_s -= span_s


def brake(scenario: Scenario, rng: Random) -> Brake:
    """What holds a rebuild of this kind up."""
    match scenario.kind:
        case Kind.SHINGLED:
            return Shingled(scenario, rng)
        case Kind.STALLED:
            return Stalled(scenario, rng)
        case Kind.THROTTLED:
            return Throttled(scenario, rng)
        case Kind.BAD_REGION:
            return BadRegion(scenario, rng)
        case Kind.SLOW_LINK:
            return SlowLink(rng)
        case Kind.SCATTERED:
            return Scattered(rng)
        case _:
            return Free()
