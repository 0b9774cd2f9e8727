"""The drives behind an array's members, a line each: what a person needs to find one and to judge it."""

from __future__ import annotations

from mendwatch.model.capture import DriveFacts
from mendwatch.model.status import DriveStatus
from mendwatch.reports.clean import clean
from mendwatch.reports.words import count, size

MOST_IN_TROUBLE = 12


def drive_lines(drives: tuple[DriveStatus, ...], *, every: bool) -> list[str]:
    """Those in trouble, or every one; a line may be wider than the terminal."""
    chosen = [one for one in drives if every or one.trouble]
    if every:
        return [_line(one) for one in chosen]
    left_out = len(chosen) - MOST_IN_TROUBLE
    more = [f"  drives           {left_out} more: mendwatch status --drives"] if left_out > 0 else []
    return [*(_line(one) for one in chosen[:MOST_IN_TROUBLE]), *more]


def _line(one: DriveStatus) -> str:
    known = f" ({clean(one.drive)})" if one.drive is not None and one.drive != one.member else ""
    label = "drive" if one.listed else "not listed now"
    return (
        f"  {label:<16} {clean(one.member)}{known}: {', '.join(_told(one.facts, one.io_errors)) or 'nothing is known'}"
    )


def _told(facts: DriveFacts, io_errors: int | None) -> list[str]:
    told = [clean(facts.model)] if facts.model else []
    told += [f"serial {clean(facts.serial)}"] if facts.serial else []
    told += [size(facts.size_bytes)] if facts.size_bytes else []
    told += [_sectors(facts.logical_sector_bytes, facts.physical_sector_bytes)] if facts.logical_sector_bytes else []
    told += [clean(facts.zoned)] if facts.zoned and facts.zoned != "none" else []
    told += [clean(facts.link)] if facts.link else []
    # Drives without a cache that could lose anything say the same; on a rotating one it makes every write wait.
    told += ["write cache off"] if facts.rotational and facts.write_cache == "write through" else []
    told += [count(io_errors, "failed command", "failed commands")] if io_errors else []
    return told


def _sectors(logical: int | None, physical: int | None) -> str:
    both = {logical, physical} - {None}
    return f"sectors {logical} B" if len(both) == 1 else f"sectors {logical}/{physical} B"
