"""One raid volume as a status line or a report of LVM shows it, and what its health letters mean.

The letters decide, never the ratio: a volume with a dead leg and nothing running also reads full (the kernel's
drivers/md/dm-raid.c, __raid_dev_status and rs_get_progress).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from mendwatch.model.raid10 import left as raid10_left

MEANING = {"A": "in sync", "a": "not in sync", "D": "failed", "-": "no device", "?": "unknown"}
SURVIVES = {"raid0": 0, "raid4": 1, "raid5": 1, "raid6": 2}
# While one of these runs every live leg reads ``a``, though none is missing.
WHOLE_SET = frozenset({"resync", "reshape"})
NUMBER = re.compile(r"[0-9]{1,19}")


def number(text: str | None) -> int | None:
    """A count as the kernel prints one, None for anything else."""
    return int(text) if text is not None and NUMBER.fullmatch(text) else None


@dataclass(frozen=True, slots=True)
class Volume:
    """One raid volume.

    Attributes:
        type: level and layout, ``raid5_ls``; empty if the text does not say.
        health: one letter a leg, in slot order; ``?`` for a leg of which nothing is told.
        action: the kernel's word for what runs; empty if the text does not say (target versions before 1.5).
        share: how far the action is, 0..1; done, total: the same in sectors, if told.
        mismatches: sectors that a check found to differ.
        sectors: the size of the volume, if told.
    """

    type: str
    health: str
    action: str
    share: float | None = None
    done: int | None = None
    total: int | None = None
    mismatches: int | None = None
    sectors: int | None = None

    @property
    def level(self) -> str:
        """The level without its layout: ``raid5`` of ``raid5_ls``."""
        return self.type.partition("_")[0]

    @property
    def whole_set(self) -> bool:
        """Whether the set as a whole is synced or reshaped: then ``a`` is said of every live leg.

        A target that names no action shows it so as well, but only until the set is in sync for the first time.
        """
        if "A" in self.health or "a" not in self.health:
            return False
        return self.action in WHOLE_SET or (self.action == "" and self.share is not None and self.share < 1)

    @property
    def counts(self) -> tuple[bool, ...]:
        """Which legs count as redundancy."""
        return tuple(letter == "A" or (letter == "a" and self.whole_set) for letter in self.health)

    @property
    def to_fill(self) -> tuple[bool, ...]:
        """Which legs are there, beside others that are in sync, and do not count yet."""
        return tuple(letter == "a" and "A" in self.health for letter in self.health)

    def full(self, copies: tuple[int, int]) -> int | None:
        """Losses survived when every leg is good; None for a level that is not known."""
        return self._survives((True,) * len(self.health), copies) if self.health else SURVIVES.get(self.level)

    def left(self, copies: tuple[int, int]) -> tuple[int | None, str | None]:
        """Losses surely survived now, and why not if that is not known."""
        at_best = self._survives(tuple(letter in "Aa?" for letter in self.health), copies)
        if not self.level:
            return None, "the level is not told"
        if self.level not in {"raid1", "raid10", *SURVIVES}:
            return None, f"the level {self.level} is not known"
        if not self.health:
            return None, "the legs are not told"
        if at_best is not None and at_best < 0:
            return at_best, None
        if "?" in self.health:
            return None, "which legs are in sync is not told"
        if "a" in self.health and not any(self.counts):
            # Between two actions the kernel says so of every leg, also when only one of them is to be filled.
            return None, f"no leg reads as in sync while the action is {self.action or 'not told'}"
        return self._survives(self.counts, copies), None

    def _survives(self, good: tuple[bool, ...], copies: tuple[int, int]) -> int | None:
        if self.level == "raid1":
            return sum(good) - 1
        if self.level == "raid10":
            return raid10_left(good, *copies)
        return SURVIVES[self.level] - good.count(False) if self.level in SURVIVES else None
