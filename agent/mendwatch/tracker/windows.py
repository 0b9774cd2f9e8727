"""Degraded windows: open while less redundancy is left than the full level, with a clock for each level below it.

A fall counts at once. A rise counts after two polls and a minute, and is then dated back to when it was first seen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from mendwatch.model.observation import Array
from mendwatch.model.records import WindowRecord
from mendwatch.model.state import Event, EventKind, Interval, Moment, WindowState
from mendwatch.tracker.names import window_id
from mendwatch.tracker.runs import CONFIRM_POLLS, CONFIRM_S

GONE_LEVEL = -1


@dataclass(frozen=True, slots=True)
class WindowStep:
    """What a poll did to the window: the open one, the one that closed, and what happened."""

    window: WindowState | None
    closed: WindowState | None = None
    events: tuple[Event, ...] = ()


def left_now(array: Array) -> int | None:
    """Redundancy left; an array that is lost without a number has less than none."""
    if array.redundancy_left is None and array.lost:
        return GONE_LEVEL
    return array.redundancy_left


def step(
    key: str,
    window: WindowState | None,
    left: int | None,
    full: int | None,
    now: Moment,
    interval: Interval,
    *,
    first: bool,
) -> WindowStep:
    """The window one poll further; ``full`` counts only while none is open."""
    if window is None:
        if left is None or full is None or left >= full:
            return WindowStep(None)
        opened = WindowState(window_id(key, now.at), now.at, not first, full, left, least=left)
        return WindowStep(opened, events=(_fell(key, opened, None if first else full, left, first=first),))
    window = _pass_time(window, interval)
    if left is None:
        return WindowStep(window)
    if left < window.level:
        least = left if window.least is None else min(left, window.least)
        fallen = replace(_settle(window), level=left, least=least)
        return WindowStep(fallen, events=(_fell(key, fallen, window.level, left, first=False),))
    if left == window.level:
        return WindowStep(_settle(window))
    if window.risen_to != left:
        window = replace(_settle(window), risen_to=left, risen_since=now.at, risen_polls=1)
    else:
        window = replace(window, risen_polls=window.risen_polls + 1)
    if window.risen_polls < CONFIRM_POLLS or window.risen_s < CONFIRM_S:
        return WindowStep(window)
    if left < window.full:
        return WindowStep(replace(window, level=left, risen_to=None, risen_since=None, risen_polls=0, risen_s=0.0))
    return WindowStep(None, closed=window, events=(Event(EventKind.WINDOW_CLOSED, key, window=window),))


def _fell(key: str, window: WindowState, before: int | None, left: int, *, first: bool) -> Event:
    return Event(EventKind.LEFT_FELL, key, window=window, facts={"from": before, "to": left, "first_seen": first})


def _pass_time(window: WindowState, interval: Interval) -> WindowState:
    """Add the time since the last poll: to the clocks, or to the rise that waits to be confirmed."""
    if window.risen_to is not None:
        return replace(window, risen_s=window.risen_s + interval.steady_s)
    return _add(window, interval.steady_s)


def _add(window: WindowState, seconds: float) -> WindowState:
    clocks_s = dict(window.clocks_s)
    for level in range(max(0, window.level), window.full):
        clocks_s[level] = clocks_s.get(level, 0.0) + seconds
    return replace(window, elapsed_s=window.elapsed_s + seconds, clocks_s=clocks_s)


def _settle(window: WindowState) -> WindowState:
    """A rise that was not confirmed was none: its time belongs to the clocks after all."""
    if window.risen_to is None:
        return window
    return replace(_add(window, window.risen_s), risen_to=None, risen_since=None, risen_polls=0, risen_s=0.0)


def record(window: WindowState, key: str, name: str, source: str) -> WindowRecord:
    """The window as the history keeps it; closed as soon as it is seen so, and opened again if that does not last."""
    whole = window.risen_to is not None and window.risen_to >= window.full
    return WindowRecord(
        id=window.id,
        array=name,
        array_id=key,
        source=source,
        opened=window.opened,
        opened_known=window.opened_known,
        closed=window.risen_since if whole else None,
        hours=window.elapsed_s / 3600,
        rebuilds=window.rebuilds,
        redundancy_full=window.full,
        redundancy_least=window.least,
    )
