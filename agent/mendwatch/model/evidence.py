"""What the diagnosis keeps of a rebuild, and the view of it that every cause is judged by."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class DiagnosisState:
    """The bounded memory of one rebuild, carried from poll to poll."""

    watched_s: float = 0.0
