"""The errors, sorted by who must act.

MendwatchError
├── SettingsError   the owner: the configuration is wrong; every problem at once
├── UsageError      the person at the keyboard: a file or an argument cannot be used
├── SourceError     the host: a tool or file is missing, refused, or did not answer in time
├── ParseError      us: an output that we do not understand, with its line
├── DeliveryError   the channel: whether sending again can help
└── HistoryError    the disk: the history cannot be opened, read or written
    └── HistoryHeldError   another agent writes it already
"""

from __future__ import annotations

from dataclasses import dataclass


class MendwatchError(Exception):
    """The root; anything else that escapes is our own fault and is reported as such."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a configuration: where, what, and what would be right."""

    where: str
    what: str
    right: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}; {self.right}"


class SettingsError(MendwatchError):
    """The configuration is wrong.

    Attributes:
        file: the file as the user named it.
        problems: all of them, in the order of the file.
    """

    def __init__(self, file: str, problems: tuple[Problem, ...]) -> None:
        self.file = file
        self.problems = problems
        super().__init__("\n".join(f"{file}: {problem}" for problem in problems))


class UsageError(MendwatchError):
    """An argument or a file that was named cannot be used; the text says what, where and what to do."""


class SourceError(MendwatchError):
    """Nothing could be read from a storage system (missing, refused, timed out)."""


class ParseError(MendwatchError):
    """An output that the parser does not understand at all; single odd lines are reported as unread instead."""

    def __init__(self, message: str, line: int | None = None, text: str = "") -> None:
        self.line = line
        self.text = text
        super().__init__(message if line is None else f"{message} (line {line}: {text[:120]!r})")


class DeliveryError(MendwatchError):
    """A message was not delivered.

    Attributes:
        again: whether sending the same message again can help.
        retry_after_s: the seconds that the receiver asked us to wait, if it did.
    """

    def __init__(self, message: str, *, again: bool, retry_after_s: float | None = None) -> None:
        self.again = again
        self.retry_after_s = retry_after_s
        super().__init__(message)


class HistoryError(MendwatchError):
    """The history cannot be opened, read or written; the text says why and what to do."""


class HistoryHeldError(HistoryError):
    """Another agent writes this history already."""
