"""The full level of an array as its layout changes on purpose: a side attached or detached, a profile converted.

Such a change is never a loss or a restoration. The full level goes up only once that much redundancy was really
there, and while a window is open it stays what it was when the window opened.
"""

from __future__ import annotations

from dataclasses import dataclass

from mendwatch.model.observation import Array
from mendwatch.model.state import ArrayState, Event, EventKind


@dataclass(frozen=True, slots=True)
class LayoutStep:
    """The full level to hold redundancy against, and what happened."""

    full: int | None
    events: tuple[Event, ...] = ()


def capped(full: int | None, at_most: int | None) -> int | None:
    """The layout's full level, lowered where a slot is missing by design."""
    return full if full is None or at_most is None else min(full, at_most)


def step(key: str, state: ArrayState, array: Array, full: int | None, left: int | None) -> LayoutStep:
    """The full level one poll further; ``full`` is the layout's own, capped."""
    if full is None or state.layout_full is None:
        return LayoutStep(state.full if full is None else full)
    changed = full != state.layout_full
    slots_changed = None not in (array.slots, state.slots) and array.slots != state.slots
    events: tuple[Event, ...] = ()
    if changed or slots_changed:
        facts = {
            "full_from": state.layout_full,
            "full_to": full,
            "slots_from": state.slots,
            "slots_to": array.slots,
        }
        events = (Event(EventKind.LAYOUT_CHANGED, key, facts={**facts}),)
    if state.window is not None or state.full is None:
        return LayoutStep(state.full, events)
    if full < state.full:
        return LayoutStep(full, events)
    reached = left is not None and left >= full
    return LayoutStep(full if reached else state.full, events)
