"""One line of a preflight: what was looked at, whether it is fine, and what to do if it is not."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """Fine; worth knowing, but the job gets done; or the job cannot be done like this."""

    FINE = "fine"
    NOTE = "note"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Check:
    """One line; ``to_do`` is empty when it is fine."""

    about: str
    verdict: Verdict
    said: str
    to_do: str = ""


def fine(about: str, said: str) -> Check:
    """Nothing to do."""
    return Check(about, Verdict.FINE, said)


def note(about: str, said: str, to_do: str) -> Check:
    """Worth knowing."""
    return Check(about, Verdict.NOTE, said, to_do)


def fault(about: str, said: str, to_do: str) -> Check:
    """The job cannot be done like this."""
    return Check(about, Verdict.FAULT, said, to_do)
