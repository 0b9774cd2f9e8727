"""Which losses a raid10 survives: the rule of the kernel's own test (_enough in drivers/md/raid10.c).

The copies of a chunk lie on ``near * far`` consecutive slots. Windows of that width start at slot 0 and step by
``near`` around the ring until they are back; every window needs a member in sync.
"""

from __future__ import annotations

from collections.abc import Sequence


def _windows(slots: int, near: int, far: int) -> tuple[tuple[int, ...], ...]:
    if slots < 1 or near < 1 or far < 1:
        return ()
    width = min(near * far, slots)  # a slot holds one copy
    found: list[tuple[int, ...]] = []
    first = 0
    while True:
        found.append(tuple((first + n) % slots for n in range(width)))
        first = (first + near) % slots
        if first == 0:
            return tuple(found)


def left(in_sync: Sequence[bool], near: int, far: int) -> int:
    """Further losses surely survived; -1 when a part of the data has no copy left."""
    windows = _windows(len(in_sync), near, far)
    return min((sum(in_sync[slot] for slot in window) for window in windows), default=0) - 1


def partners(in_sync: Sequence[bool], near: int, far: int) -> tuple[int, ...]:
    """The slots in sync that hold the only copy of a part of the data."""
    alone = {
        slot
        for window in _windows(len(in_sync), near, far)
        for slot in window
        if in_sync[slot] and sum(in_sync[other] for other in window) == 1
    }
    return tuple(sorted(alone))
