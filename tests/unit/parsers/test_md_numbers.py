"""Which member is being filled, by /proc/mdstat alone: against arrays whose history is known.

Small arrays are made, lose drives, get new ones or the old ones back, and are started again; their text is composed by
the rules of the kernel's drivers/md/md.c: numbers by bind_rdev_to_array() and super_1_validate(), with metadata 0.90 by
super_90_sync(); the order of the list by list_add_rcu(), which puts a new one first. A raid5 is made with its last
member added to a degraded one (manual page md(4) and mdadm(8), "--create").
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from random import Random

import pytest

from mendwatch.model.capture import Capture, FileRead
from mendwatch.model.observation import Array
from mendwatch.parsers.md import PARSER

AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
HISTORIES = 400


@dataclass(slots=True)
class Drive:
    name: str
    number: int
    slot: int
    in_sync: bool = True


@dataclass(slots=True)
class Made:
    """One array; ``listed`` in the order of the text, the one bound last first."""

    level: str
    slots: int
    metadata: str
    chance: Random
    names: list[str] = field(default_factory=lambda: [f"sd{letter}" for letter in reversed("abcdefghijklmnopqrst")])
    listed: list[Drive] = field(default_factory=list)

    def make(self) -> None:
        for slot in range(self.slots):
            late = self.level == "raid5" and slot == self.slots - 1 and self.metadata != "0.90"
            self.listed.insert(0, Drive(self.names.pop(), self.slots if late else slot, slot))

    def lose(self) -> Drive:
        gone = self.listed.pop(self.chance.randrange(len(self.listed)))
        self._renumber()
        return gone

    def add(self, *, old: Drive | None = None) -> Drive:
        used = {drive.number for drive in self.listed}
        gap = min(set(range(self.slots)) - {drive.slot for drive in self.listed})
        free = next(number for number in range(self.slots, 99) if number not in used)
        new = Drive(self.names.pop(), free, gap, in_sync=False)
        if old is not None:
            new = Drive(old.name, old.number, old.slot, in_sync=False)
        self.listed.insert(0, new)
        self._renumber()
        return new

    def restart(self) -> None:
        self.chance.shuffle(self.listed)

    def finish(self) -> None:
        for drive in self.listed:
            drive.in_sync = True
        self._renumber()

    def _renumber(self) -> None:
        if self.metadata != "0.90":
            return
        late = self.slots
        for drive in self.listed:
            drive.number = drive.slot if drive.in_sync else late
            late += not drive.in_sync

    def seen(self) -> Array:
        good = {drive.slot for drive in self.listed if drive.in_sync}
        word = "".join("U" if slot in good else "_" for slot in range(self.slots))
        members = " ".join(f"{drive.name}[{drive.number}]" for drive in self.listed)
        info = " level 5, 64k chunk, algorithm 2" if self.level == "raid5" else ""
        info = " 64K chunks 2 near-copies" if self.level == "raid10" else info
        kind = "" if self.metadata == "0.90" else f" super {self.metadata}"
        running = "      [>...]  recovery =  1.0% (1/100) finish=1.0min speed=1K/sec\n" if "_" in word else ""
        text = (
            f"Personalities : [{self.level}] \nmd0 : active {self.level} {members}\n"
            f"      200 blocks{kind}{info} [{self.slots}/{len(good)}] [{word}]\n"
            f"{running}      \nunused devices: <none>\n"
        )
        (array,) = PARSER.parse(Capture(AT, "md", (FileRead("/proc/mdstat", text),))).arrays
        return array


def _lived(chance: Random, metadata: str, level: str, *, restarts: bool) -> Made:
    """An array with a past, one or none of its members being filled now."""
    made = Made(level, chance.choice([4, 6]), metadata, chance)
    made.make()
    for _ in range(chance.randrange(3)):
        made.lose()
        made.add()
        made.finish()
        if restarts:
            made.restart()
    gone = made.lose()
    made.add(old=gone if chance.random() < 0.3 else None)
    return made


def _wrong(made: Made) -> tuple[list[str], list[str]]:
    """Who is called good and is not; who is said to be filled and is not."""
    seen = {member.name: member for member in made.seen().members}
    good = [d.name for d in made.listed if seen[d.name].good and not d.in_sync]
    filled = [d.name for d in made.listed if seen[d.name].rebuilding and d.in_sync]
    return good, filled


@pytest.mark.parametrize("level", ["raid1", "raid5", "raid10"])
@pytest.mark.parametrize("metadata", ["0.90", "1.2"])
def test_nobody_is_called_good_who_is_being_filled_since_the_array_was_started(level: str, metadata: str) -> None:
    for seed in range(HISTORIES):
        made = _lived(Random(f"{seed}"), metadata, level, restarts=False)
        assert _wrong(made) == ([], []), (seed, made.listed)


@pytest.mark.parametrize("level", ["raid1", "raid5", "raid10"])
def test_the_member_that_is_being_filled_is_mostly_named(level: str) -> None:
    named = 0
    for seed in range(HISTORIES):
        made = _lived(Random(f"{seed}"), "1.2", level, restarts=False)
        named += [m.name for m in made.seen().members if m.rebuilding] == [d.name for d in made.listed if not d.in_sync]
    assert named >= 0.8 * HISTORIES


@pytest.mark.parametrize("level", ["raid1", "raid5", "raid10"])
def test_after_a_restart_that_tells_nothing_by_its_order_hardly_anybody_is_called_good_wrongly(level: str) -> None:
    wrong = 0
    for seed in range(HISTORIES):
        made = _lived(Random(f"{seed}"), "1.2", level, restarts=True)
        made.restart()
        wrong += bool(_wrong(made)[0])
    assert wrong <= 0.05 * HISTORIES


def test_with_metadata_0_90_it_is_always_named_also_after_a_restart() -> None:
    for seed in range(HISTORIES):
        made = _lived(Random(f"{seed}"), "0.90", "raid5", restarts=True)
        made.restart()
        filled = [m.name for m in made.seen().members if m.rebuilding]
        assert filled == [d.name for d in made.listed if not d.in_sync], seed


def test_the_text_never_names_more_good_ones_than_it_counts() -> None:
    for seed in range(HISTORIES):
        made = _lived(Random(f"{seed}"), "1.2", "raid5", restarts=True)
        made.restart()
        seen = made.seen()
        assert sum(member.good for member in seen.members) <= sum(drive.in_sync for drive in made.listed), seed
