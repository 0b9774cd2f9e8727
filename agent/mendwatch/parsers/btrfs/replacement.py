"""``btrfs replace status`` (cmds/replace.c; the words are those of 3.12 to 6.19)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

from mendwatch.parsers.btrfs.text import Note, lines

WHEN = r"\d?\d\.[^\s,]+ \d\d:\d\d:\d\d"
COUNTS = r", (?P<write>\d{1,20}) write errs, (?P<read>\d{1,20}) uncorr\. read errs"
RUNNING = re.compile(rf"(?P<percent>\d{{1,6}}\.\d)% done{COUNTS}")
ENDED = re.compile(
    rf"Started on (?P<started>{WHEN}), (?P<how>finished|canceled|suspended) on (?P<ended>{WHEN})"
    rf"(?: at (?P<percent>\d{{1,6}}\.\d)%)?{COUNTS}"
)
NEVER = "Never started"


class ReplaceState(StrEnum):
    """What a replace is in, by the tool's words."""

    NEVER = "never"
    RUNNING = "running"
    SUSPENDED = "suspended"
    FINISHED = "finished"
    CANCELED = "canceled"


@dataclass(frozen=True, slots=True)
class Replace:
    """The last replace; dates as printed: local time, without a year.

    Attributes:
        permille: the position on the device; 0 when it was cancelled, wherever it was then.
    """

    state: ReplaceState
    permille: int | None = None
    write_errors: int = 0
    read_errors: int = 0
    started: str = ""
    ended: str = ""

    @property
    def held_or_running(self) -> bool:
        """Whether it has a target that is not a member yet."""
        return self.state in {ReplaceState.RUNNING, ReplaceState.SUSPENDED}


def read_replace(text: str, odd: Note) -> Replace | None:
    """Read ``btrfs replace status``; without ``-1`` it writes over its line again and again, and the last word counts.

    A line that the terminal has wrapped is one.
    """
    told = lines(text.replace("\b", "\n"))
    whole = _one(" ".join(line for _, line in told))
    if whole is not None:
        return whole
    found: Replace | None = None
    for number, line in told:
        one = _one(line)
        if one is None:
            odd(number, line)
        found = one or found
    return found


def _one(line: str) -> Replace | None:
    text = " ".join(line.split())
    if text == NEVER:
        return Replace(ReplaceState.NEVER)
    match = RUNNING.fullmatch(text) or ENDED.fullmatch(text)
    if match is None:
        return None
    told = match.groupdict()
    percent = told["percent"]
    return Replace(
        state=ReplaceState(told.get("how") or ReplaceState.RUNNING),
        permille=round(float(percent) * 10) if percent is not None else None,
        write_errors=int(told["write"]),
        read_errors=int(told["read"]),
        started=told.get("started") or "",
        ended=told.get("ended") or "",
    )
