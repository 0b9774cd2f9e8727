"""How each member of one md array stands: by its own files in sysfs, else by what ``/proc/mdstat`` lets one conclude.

By the text alone: a member without a flag holds a slot, and ``[n/m]`` says that m of these are in sync. Which ones
are not follows from the numbers, as far as it follows:

- metadata 0.90 numbers a member in sync by its slot, all others from n on (super_90_sync in md.c);
- metadata 1.x keeps the number of a member. One that was there from the beginning has that of its slot, one that was
  added later the lowest that was free from n on (bind_rdev_to_array in md.c; the same rule in the tool that adds it).
  A raid4 or raid5 is made with its last member added so, and one that was given more slots numbers them past them;
- metadata kept from outside is numbered in the order in which members came.

A member added to a running array is listed first. Where these signs contradict each other, nobody is called good.
What the text cannot show is a member that was marked faulty and taken back without having left the list while another
had got its slot: it keeps its number, and its place in the list.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from typing import TypeAlias

from mendwatch.parsers.md.mdstat import Entry, ListedMember
from mendwatch.parsers.md.sysfs import Sysfs

WITHOUT_REDUNDANCY = frozenset({"linear", "raid0", "faulty"})
FEWEST_SLOTS = 2
NO_SLOT = frozenset({"none", "journal"})

Told: TypeAlias = tuple[set[ListedMember], set[ListedMember]]


class Standing(StrEnum):
    """How a member stands; the words are those of sysfs, where it has one."""

    IN_SYNC = "in_sync"
    TO_FILL = "to fill"
    SPARE = "spare"
    FAULTY = "faulty"
    JOURNAL = "journal"
    UNKNOWN = "unknown"


def standings(entry: Entry, sysfs: Sysfs) -> Mapping[str, Standing]:
    """Each listed member, by name. TO_FILL holds a slot and is not in sync, whether or not anything fills it."""
    by_text = _by_text(entry)
    return {m.name: _by_sysfs(m, sysfs) or _by_flags(m, entry) or by_text[m.name] for m in entry.members}


def _by_sysfs(listed: ListedMember, sysfs: Sysfs) -> Standing | None:
    states = sysfs.states(listed.name)
    if not states:
        return None
    if "(F)" in listed.flags or "faulty" in states:
        return Standing.FAULTY
    if "(J)" in listed.flags or "journal" in states:
        return Standing.JOURNAL
    slot = sysfs.members[listed.name].get("slot")
    placed = slot not in NO_SLOT if slot is not None else "(S)" not in listed.flags
    if "in_sync" in states:
        return Standing.IN_SYNC if placed else Standing.SPARE
    return Standing.TO_FILL if placed and "spare" in states else Standing.SPARE


def _by_flags(listed: ListedMember, entry: Entry) -> Standing | None:
    if "(F)" in listed.flags:
        return Standing.FAULTY
    if "(J)" in listed.flags:
        return Standing.JOURNAL
    if "(S)" in listed.flags or entry.state == "inactive":
        return Standing.SPARE
    if entry.odd:
        return Standing.UNKNOWN
    # A replacement is in sync only for the moment until it takes the slot alone.
    return Standing.TO_FILL if "(R)" in listed.flags else None


def _by_text(entry: Entry) -> dict[str, Standing]:
    """The members that hold a slot, by the counts and the numbers of the text."""
    placed = [listed for listed in entry.members if not listed.flags or listed.flags == "(W)"]
    if entry.level in WITHOUT_REDUNDANCY and entry.whole:
        return dict.fromkeys((m.name for m in placed), Standing.IN_SYNC)
    if entry.good is None or entry.word is None:
        return dict.fromkeys((m.name for m in placed), Standing.UNKNOWN)
    lacking = len(placed) - min(entry.good, entry.word.count("U"))
    if lacking <= 0:
        return dict.fromkeys((m.name for m in placed), Standing.IN_SYNC)
    if lacking == len(placed):
        return dict.fromkeys((m.name for m in placed), Standing.TO_FILL)
    filled, doubted = _told_apart(placed, lacking, entry.super_block or "0.90", entry.word)
    return {
        m.name: Standing.TO_FILL if m in filled else Standing.UNKNOWN if m in doubted else Standing.IN_SYNC
        for m in placed
    }


def _told_apart(placed: Sequence[ListedMember], lacking: int, super_block: str, word: str) -> Told:
    """Which of them are not in sync, and of which one cannot say."""
    later = {m for m in placed if m.number >= len(word)}
    if len(later) == lacking and (super_block == "0.90" or not super_block[0].isdigit()):
        return later, set()
    if not super_block[0].isdigit():
        return set(), set(placed)
    at_a_gap = {m for m in placed if m.number < len(word) and word[m.number] == "_"}
    # An array is made with two slots or more, so that these numbers can only be those of their slots.
    sure = {m for m in at_a_gap if m.number < FEWEST_SLOTS}
    lacking -= len(sure)
    open_to_both = [m for m in placed if m in later or m in at_a_gap - sure]
    if lacking < 0 or len(open_to_both) < lacking:
        return set(), set(placed)
    if lacking in {0, len(open_to_both)}:
        return {*sure, *open_to_both[:lacking]}, set()
    newest, doubted = _newest(open_to_both, lacking, later, placed[0])
    return sure | newest, doubted


def _newest(
    open_to_both: Sequence[ListedMember], lacking: int, later: set[ListedMember], first_listed: ListedMember
) -> Told:
    """Of members that can be in sync or not, those that came last, and those of which one cannot say."""
    first = set(open_to_both[:lacking])
    if later.issuperset(open_to_both):
        newest = set(sorted(later, key=lambda m: m.number)[-lacking:])
        if first_listed in later:
            return (newest, set()) if first == newest else (set(), later)
        # Started since the last one was added: a number that had been freed may have been given again.
        return newest, later - newest
    at_a_gap = set(open_to_both) - later
    return (at_a_gap, set()) if first == at_a_gap else (set(), set(open_to_both))
