"""The policy as plain data; ``settings`` reads it from the configuration, ``policy`` and ``tracker`` apply it."""

from __future__ import annotations

from dataclasses import dataclass, field
from fnmatch import fnmatchcase


@dataclass(frozen=True, slots=True)
class ArrayPolicy:
    """What is asked of one array. All durations in seconds.

    Attributes:
        window_limit_s: limit of the clock of level k, by k; None is 'auto'.
        remind_after_s: pauses between reminders of a standing page, the last one repeating.
        watch: False leaves the array out altogether.
        may_leave: its absence is no event.
        redundancy_full: the full level at most, when a slot is missing by design.
    """

    window_limit_s: dict[int, float] | None = None
    stall_after_s: float = 1200.0
    blind_after_s: float = 600.0
    remind_after_s: tuple[float, ...] = (14400.0, 43200.0, 86400.0)
    watch: bool = True
    may_leave: bool = False
    redundancy_full: int | None = None


@dataclass(frozen=True, slots=True)
class HostPolicy:
    """The policy of a host: a default, and overrides in order; each override's name is a glob, the last match wins."""

    host: str
    default: ArrayPolicy = field(default_factory=ArrayPolicy)
    arrays: tuple[tuple[str, ArrayPolicy], ...] = ()
    named_sources: tuple[str, ...] = ()

    def for_array(self, name: str) -> ArrayPolicy:
        """The policy of the array of this name."""
        found = self.default
        for pattern, policy in self.arrays:
            if fnmatchcase(name, pattern):
                found = policy
        return found
