"""The one clock, handed in from the edge: layers up to ``cycle`` know time only as the capture's."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol


class Clock(Protocol):
    """Wall time, steady time, and a way to wait that can be ended early."""

    def now(self) -> datetime:
        """The wall clock, aware, in UTC; it may jump."""
        ...

    def ticks(self) -> float:
        """Seconds of a clock that never goes back, from an arbitrary start."""
        ...

    def wait(self, seconds: float) -> None:
        """Sleep for about this long."""
        ...
