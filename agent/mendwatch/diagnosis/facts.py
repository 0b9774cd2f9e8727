"""What the drives' own facts say before the first byte is written, when a swap costs least.

Sources: the kernel's ``zoned`` attribute (Documentation/ABI/stable/sysfs-block, 6.12) for host-aware and
host-managed; a rotating drive that takes discards is a sign of drive-managed shingling by common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

from mendwatch.model.capture import DriveFacts
from mendwatch.model.observation import Array, Member, Role

# The first generation of SATA: 8 of 10 bits on the wire are data.
SLOWEST_LINK = "1.5 Gbps"


def suspect_lines(
    array: Array, drives: Mapping[str, DriveFacts], links: Mapping[str, tuple[str, ...]]
) -> tuple[str, ...]:
    """One line for each member or spare whose own facts speak against it as a rebuild's target.

    Args:
        array: as last observed.
        drives: facts by whole disk.
        links: member name to the whole disks behind it.
    """
    lines = []
    for member in array.members:
        if member.role not in {Role.DATA, Role.SPARE, Role.SPECIAL, Role.DEDUP}:
            continue
        for drive in _disks(member, links):
            facts = drives.get(drive)
            said = None if facts is None else _said(facts)
            if said is not None:
                lines.append(f"{member.name} ({drive}): {said}")
    return tuple(lines)


def _disks(member: Member, links: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
    return links.get(member.name) or (() if member.drive is None else (member.drive,))


def _said(facts: DriveFacts) -> str | None:
    if facts.zoned in {"drive-managed", "host-aware"}:
        return f"says of itself that it is shingled ({facts.zoned}): a rebuild onto it may take many times longer"
    if facts.zoned == "host-managed":
        return "says of itself that it is a host-managed zoned drive, which no ordinary array can use as a member"
    if facts.rotational and facts.discard:
        return (
            "a rotating drive that takes discards, often a sign of drive-managed shingling (common practice; "
            "it may be innocent)"
        )
    link = facts.link or ""
    if "usb" in link.lower():
        return f"connected by USB ({link}), which may limit a rebuild and hides what the drive is"
    if link == SLOWEST_LINK:
        return f"its link runs at {link}, which carries about 150 MB/s at most"
    return None
