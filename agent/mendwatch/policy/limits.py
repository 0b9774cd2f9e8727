"""The limit of each level's clock, and what a rebuild of an array usually takes."""

from __future__ import annotations

from statistics import median

from mendwatch.model.policy import ArrayPolicy
from mendwatch.model.state import ArrayState

AUTO_FACTOR = 2.0
AUTO_LEAST_S = 24 * 3600.0
# A 4 TB drive in a four-drive single-parity array under light load fills at 65 to 79 MB/s (common practice, no
# source): the middle of it, for arrays without a history.
USUAL_BYTES_PER_S = 72e6
# No rotating drive fills faster than this (outer zone of current drives, from memory): only for saying that a limit
# can no longer be kept whatever drive is put in.
FASTEST_BYTES_PER_S = 250e6


def usual_s(state: ArrayState) -> tuple[float | None, str]:
    """Seconds that a rebuild of this array usually takes, and what that rests on."""
    if state.usual_hours:
        number = len(state.usual_hours)
        return median(state.usual_hours) * 3600, "its last rebuild" if number == 1 else f"its last {number} rebuilds"
    if state.array.member_bytes:
        return state.array.member_bytes / USUAL_BYTES_PER_S, "the size of its members at 72 MB/s"
    return None, "nothing known yet"


def fastest_s(state: ArrayState) -> float | None:
    """Seconds below which no rebuild of this array can be expected, None if nothing is known."""
    if state.usual_hours:
        return min(state.usual_hours) * 3600
    if state.array.member_bytes:
        return state.array.member_bytes / FASTEST_BYTES_PER_S
    return None


def limit_s(policy: ArrayPolicy, state: ArrayState, level: int) -> float:
    """The limit of the clock of a level, in seconds.

    A level without a limit of its own takes that of the highest level given; a negative one takes that of level 0.
    """
    limits = policy.window_limit_s
    if not limits:
        usual, _ = usual_s(state)
        return max(AUTO_LEAST_S, AUTO_FACTOR * usual) if usual is not None else AUTO_LEAST_S
    wanted = max(0, level)
    return limits[wanted] if wanted in limits else limits[max(limits)]
