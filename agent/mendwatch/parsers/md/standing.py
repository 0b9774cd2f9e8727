"""How each member of one md array stands: by its own files in sysfs, else by what ``/proc/mdstat`` lets one conclude.

By the text alone: a member without a flag holds a slot, and ``[n/m]`` says that m of these are in sync. Which ones
are not follows from the numbers, as far as it follows:

- metadata 0.90 numbers a member in sync by its slot, all others from n on (super_90_sync in md.c);
- metadata 1.x keeps the number of a member. One that was there from the beginning has that of its slot, one that was
  added later the lowest that was free from n on (bind_rdev_to_array in md.c; the same rule in the tool that adds it).
  A raid4 or raid5 is made with its last member added so, and one that was given more slots numbers them past them;
- metadata kept from outside is numbered in the order in which members came.

A member added to a running array is listed first. Where these signs contradict each other, nobody is called good.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum

from mendwatch.parsers.md.mdstat import Entry, ListedMember
from mendwatch.parsers.md.sysfs import Sysfs

WITHOUT_REDUNDANCY = frozenset({"linear", "raid0", "faulty"})
NO_SLOT = frozenset({"none", "journal"})


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
    if entry.level in WITHOUT_REDUNDANCY:
        return dict.fromkeys((m.name for m in placed), Standing.IN_SYNC)
    if entry.good is None or entry.word is None:
        return dict.fromkeys((m.name for m in placed), Standing.UNKNOWN)
    lacking = len(placed) - min(entry.good, entry.word.count("U"))
    if lacking <= 0:
        return dict.fromkeys((m.name for m in placed), Standing.IN_SYNC)
    if lacking == len(placed):
        return dict.fromkeys((m.name for m in placed), Standing.TO_FILL)
    filled, doubted = _told_apart(placed, lacking, entry, entry.word)
    return {
        m.name: Standing.TO_FILL if m in filled else Standing.UNKNOWN if m in doubted else Standing.IN_SYNC
        for m in placed
    }


def _told_apart(
    placed: Sequence[ListedMember], lacking: int, entry: Entry, word: str
) -> tuple[Sequence[ListedMember], Sequence[ListedMember]]:
    """Which of them are not in sync, and of which one cannot say."""
    later = [m for m in placed if m.number >= len(word)]
    super_block = entry.super_block or "0.90"
    if len(later) == lacking and super_block == "0.90":
        return later, ()
    if not super_block[0].isdigit():
        return (later, ()) if len(later) == lacking else ((), placed)
    at_a_gap = [m for m in placed if m.number < len(word) and word[m.number] == "_"]
    open_to_both = [m for m in placed if m in later or m in at_a_gap]
    if len(open_to_both) <= lacking:
        return (open_to_both, ()) if len(open_to_both) == lacking else ((), placed)
    first = open_to_both[:lacking]
    if not at_a_gap:
        newest = sorted(later, key=lambda m: m.number)[-lacking:]
        # One with a lower number that was added to the running array would stand before all others.
        plain = set(first) == set(newest) or placed[0] not in later
        return newest, () if plain else [m for m in later if m not in newest]
    if set(first) == set(at_a_gap):
        return at_a_gap, ()
    return (), open_to_both
