"""What strangers tell of their arrays, held within bounds before anything of ours rests on it.

A plug-in's observation and that of the owner's own program are of the right types when they come here; what they
say may still be out of all bounds.
"""

from __future__ import annotations

import math
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, datetime, timedelta
from enum import Enum
from typing import Any, NoReturn, TypeVar

from mendwatch.model.capture import Capture
from mendwatch.model.errors import ParseError
from mendwatch.model.names import printable
from mendwatch.model.observation import Array, Observation

T = TypeVar("T")

MOST_ENTRIES = 10_000
MOST_CHARACTERS = 1_000
LEEWAY = timedelta(seconds=2)  # as far apart as two tellings of one start may be
_LARGEST = 2**63 - 1  # what the history's integers hold
_MAY_BE_NEGATIVE = frozenset({"redundancy_left"})
_SHARES = frozenset({"done", "end_share"})
# OpenZFS has counted 470 % (its issue 5066); a percentage that is taken for a share is soon above this.
_MOST_SHARE = 10


def bounded(seen: Observation, capture: Capture) -> Observation:
    """The observation as one of this capture, with times no later than the poll, and printable texts of bounded length.

    A time that is later by a little is that of the poll; one that is still to come is not known.

    Raises:
        ParseError: a figure is negative, not finite or too large, a share is far above 1, a list is too long, a name is
            empty, or two arrays have one id; with the place.
    """
    held = _held(replace(seen, at=capture.at, source=capture.source), "", capture.at.astimezone(UTC))
    taken: set[tuple[str, str]] = set()
    for at, array in enumerate(held.arrays):
        if not array.name or not array.id:
            message = f"arrays[{at}]: without a name or an id"
            raise ParseError(message)
        if (array.id_kind.value, array.id) in taken:
            message = f"arrays[{at}].id: {array.id!r} is the id of another array, too"
            raise ParseError(message)
        taken.add((array.id_kind.value, array.id))
    return replace(held, arrays=tuple(map(_consistent, held.arrays)), complete=held.complete and held.error is None)


def _consistent(array: Array) -> Array:
    """More redundancy than there can be is no knowledge, and what is not known has a reason."""
    left, full = array.redundancy_left, array.redundancy_full
    if left is not None and full is not None and left > full:
        return replace(
            array, redundancy_left=None, why_unknown=f"told to survive {left} losses, and {full} at its best"
        )
    if left is None and not array.why_unknown:
        return replace(array, why_unknown="no reason was told")
    return array


def _held(value: T, place: str, now: datetime) -> T:
    held: Any = value
    match value:
        case None | bool() | Enum():
            pass
        case str():
            held = printable(value[:MOST_CHARACTERS])
        case int() | float():
            _figure(value, place)
        case datetime():
            held = _time(value, place, now)
        case tuple():
            _countable(len(value), place)
            held = tuple(_held(item, f"{place}[{at}]", now) for at, item in enumerate(value))
        case dict():
            _countable(len(value), place)
            held = {_held(key, place, now): _held(item, f"{place}.{key}", now) for key, item in value.items()}
        case _ if is_dataclass(value) and not isinstance(value, type):
            parts = {one.name: getattr(value, one.name) for one in fields(value)}
            held = replace(value, **{name: _held(part, _inner(place, name), now) for name, part in parts.items()})
        case _:
            _refuse(place, f"of an unknown kind ({type(value).__name__})")
    return held  # type: ignore[no-any-return]


def _inner(place: str, name: str) -> str:
    return f"{place}.{name}" if place else name


def _figure(value: float, place: str) -> None:
    name = place.rpartition(".")[2]
    if not math.isfinite(value):
        _refuse(place, "not a finite number")
    if value < 0 and name not in _MAY_BE_NEGATIVE:
        _refuse(place, f"{value} is negative")
    if abs(value) > _LARGEST:
        _refuse(place, "out of range")
    if name in _SHARES and value > _MOST_SHARE:
        _refuse(place, f"{value} is no share; 1 is all of it")


def _time(value: datetime, place: str, now: datetime) -> datetime | None:
    if value.tzinfo is None:
        _refuse(place, "a time without its zone")
    try:
        told = value.astimezone(UTC)
    except OverflowError:
        _refuse(place, "a time out of range")
    # Held to each poll's own time, one far ahead would be another one at each: another start, another run.
    return min(told, now) if told - now <= LEEWAY else None


def _countable(count: int, place: str) -> None:
    if count > MOST_ENTRIES:
        _refuse(place, f"more than {MOST_ENTRIES} entries")


def _refuse(place: str, what: str) -> NoReturn:
    message = f"{place}: {what}"
    raise ParseError(message)
