"""A member's drive on the screen: what is needed to find it and to judge it, and nothing that steers a terminal."""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from datetime import timedelta

import pytest

from mendwatch import cycle
from mendwatch.model.capture import DriveFacts
from mendwatch.model.status import ArrayStatus, DriveStatus
from mendwatch.reports import terminal
from mendwatch.reports.drives import MOST_IN_TROUBLE, drive_lines
from support.story import START, Story, array
from support.told_alerts import ZONE

FACTS = DriveFacts(
    model="EXAMPLE ROTATING DRIVE 8000GB",
    serial="EX-SERIAL-0042",
    size_bytes=8_001_563_222_016,
    rotational=True,
    zoned="none",
    link="6.0 Gbps",
    logical_sector_bytes=512,
    physical_sector_bytes=4096,
    write_cache="write back",
)
DRIVE = DriveStatus("ata-EXAMPLE_EX-SERIAL-0042-part1", "sdd", FACTS, trouble=True, io_errors=3)


def line(**changes: object) -> str:
    (told,) = drive_lines((replace(DRIVE, facts=replace(FACTS, **changes)),), every=False)  # type: ignore[arg-type]
    return told


def test_a_drive_is_told_by_what_stands_on_its_label_first() -> None:
    assert line() == (
        "  drive            ata-EXAMPLE_EX-SERIAL-0042-part1 (sdd): EXAMPLE ROTATING DRIVE 8000GB, "
        "serial EX-SERIAL-0042, 8.0 TB, sectors 512/4096 B, 6.0 Gbps, 3 failed commands"
    )


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"physical_sector_bytes": 512}, "sectors 512 B"),
        ({"physical_sector_bytes": None}, "sectors 512 B"),
        ({"logical_sector_bytes": 4096}, "sectors 4096 B"),
        ({"zoned": "drive-managed"}, "drive-managed"),
        ({"write_cache": "write through"}, "write cache off"),
    ],
)
def test_what_is_out_of_the_ordinary_is_said(changes: dict[str, object], words: str) -> None:
    assert f", {words}, " in f"{line(**changes)}, "


def test_what_says_nothing_is_left_out() -> None:
    flash = line(rotational=False, write_cache="write through", logical_sector_bytes=None)
    assert "cache" not in flash
    assert "sectors" not in flash
    assert "none" not in flash
    quiet = replace(DRIVE, member="sdd", io_errors=0, facts=DriveFacts())
    assert drive_lines((quiet,), every=True) == ["  drive            sdd: nothing is known"]


def test_only_drives_in_trouble_are_told_unless_all_are_asked_for() -> None:
    well = replace(DRIVE, trouble=False, member="well")
    gone = replace(DRIVE, listed=False, drive=None, member="gone", io_errors=None)
    few = drive_lines((well, DRIVE, gone), every=False)
    assert [one.split(": ")[0] for one in few] == [
        "  drive            ata-EXAMPLE_EX-SERIAL-0042-part1 (sdd)",
        "  not listed now   gone",
    ]
    assert len(drive_lines((well, DRIVE, gone), every=True)) == 3


def test_a_shelf_that_went_dark_does_not_fill_the_screen() -> None:
    told = drive_lines((DRIVE,) * (MOST_IN_TROUBLE + 5), every=False)
    assert len(told) == MOST_IN_TROUBLE + 1
    assert told[-1] == "  drives           5 more: mendwatch status --drives"
    assert len(drive_lines((DRIVE,) * 40, every=True)) == 40


def shown(status: ArrayStatus, *, every: bool = False) -> list[str]:
    return terminal.status([status], [], START + timedelta(minutes=90), ZONE, 80, every_drive=every).split("\n")


def test_the_status_shows_drives_within_eighty_columns() -> None:
    told = Story()
    told.repeat(3, array())
    (whole,) = cycle.statuses(cycle.dump(told.state), told.host)
    shared = "a, b are on one and the same drive (sda): its loss takes them all"
    lines = shown(replace(whole, drives=(DRIVE,), shared=(shared,)))
    assert max(map(len, lines)) <= 80
    words = " ".join(" ".join(lines).split())
    assert f"look at {shared}" in words
    assert "serial EX-SERIAL-0042, 8.0 TB, sectors 512/4096 B, 6.0 Gbps, 3 failed commands" in words
    well = replace(DRIVE, trouble=False)
    assert "serial" not in "\n".join(shown(replace(whole, drives=(well,))))
    assert "serial" in "\n".join(shown(replace(whole, drives=(well,)), every=True))


def test_no_drive_steers_the_terminal() -> None:
    """General categories: Unicode Standard, chapter 4; controls, formats and line ends are what steers."""
    hostile = "a\x1b[2J\r\n\u202eb\x9b31m\u2028c"
    facts = replace(FACTS, model=hostile, serial=hostile, zoned=hostile, link=hostile)
    (told,) = drive_lines((replace(DRIVE, member=hostile, drive=f"{hostile}b", facts=facts),), every=True)
    assert told.count("[2J") == 6
    assert not {char for char in told if unicodedata.category(char) in {"Cc", "Cf", "Zl", "Zp"}}
