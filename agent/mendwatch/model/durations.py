"""Durations as the configuration writes them: a number with its unit, never a bare number.

A refusal has two parts joined by ``; ``: what is wrong, and what would be right.
"""

from __future__ import annotations

import re
from typing import Annotated, TypeAlias

from pydantic import BeforeValidator

_UNIT_S = {"s": 1, "m": 60, "h": 3600, "d": 86400}
_WRITTEN = re.compile(r"(\d{1,9}(?:\.\d{1,3})?)([smhd])", re.ASCII)
_LONGEST_S = 366 * 86400
_RIGHT = 'write a number and its unit, such as "90s", "20m", "24h" or "9d"'
_WHOLE_DAYS_FROM = 4  # "24h" and "72h" are how people say these limits


def read_duration(value: object) -> float:
    """The seconds of a duration such as ``"20m"``.

    Raises:
        ValueError: it is no such text, or no time at all, or longer than a year; pydantic reports it with its place.
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        message = f"{value!r} is no duration; {_RIGHT}"
        raise ValueError(message)  # noqa: TRY004 - pydantic reports ValueError only
    if isinstance(value, int | float):
        message = f'{value} has no unit; write "{value}s" if seconds are meant, or use m, h or d'
        raise ValueError(message)  # noqa: TRY004 - pydantic reports ValueError only
    found = _WRITTEN.fullmatch(value.strip())
    if found is None:
        message = f"{value!r} is no duration; {_RIGHT}"
        raise ValueError(message)
    seconds = float(found[1]) * _UNIT_S[found[2]]
    if seconds == 0:
        message = f"{value!r} is no time at all; {_RIGHT}"
        raise ValueError(message)
    if seconds > _LONGEST_S:
        message = f"{value!r} is longer than a year; give at most {_LONGEST_S // 86400}d"
        raise ValueError(message)
    return seconds


Duration: TypeAlias = Annotated[float, BeforeValidator(read_duration)]


def format_duration(seconds: float) -> str:
    """The duration as the configuration would write it, in the largest unit that it fills exactly."""
    if seconds >= _WHOLE_DAYS_FROM * 86400 and seconds % 86400 == 0:
        return f"{seconds / 86400:.0f}d"
    if seconds and seconds % 3600 == 0:
        return f"{seconds / 3600:.0f}h"
    if seconds and seconds % 60 == 0:
        return f"{seconds / 60:.0f}m"
    return f"{seconds:.3f}".rstrip("0").rstrip(".") + "s"
