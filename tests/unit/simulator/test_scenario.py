from __future__ import annotations

from typing import Any

import pytest

from mendwatch.simulator import Kind, Scenario


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"system": "btrfs"}, "zfs or md"),
        ({"drives": 3}, "4 to 12"),
        ({"drives": 13}, "4 to 12"),
        ({"size_bytes": 10**9}, "100GB to 40TB"),
        ({"allocated": 0.0}, "above 0"),
        ({"office_load": 0.9}, "0 to 0.5"),
        ({"poll_s": 0.1}, "1s to 1h"),
        ({"level": "raid6"}, "no level of zfs"),
        ({"kind": Kind.SECOND_FAILURE, "level": "raidz1"}, "double parity"),
    ],
)
def test_what_cannot_be_invented_is_refused_with_what_would_be_right(wrong: dict[str, Any], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        Scenario(**wrong)


def test_the_level_follows_from_the_drives_and_the_kind() -> None:
    assert Scenario().layout == "raidz1"
    assert Scenario(drives=8).layout == "raidz2"
    assert Scenario(system="md", drives=4).layout == "raid5"
    assert Scenario(system="md", kind=Kind.SECOND_FAILURE).layout == "raid6"
    assert Scenario(level="raidz3", drives=8).parity == 3


def test_names_are_distinct_and_only_a_shingled_replacement_takes_discards() -> None:
    scenario = Scenario(kind=Kind.SHINGLED, drives=12)
    drives = (*scenario.members(), scenario.replacement())
    assert len({drive.name for drive in drives}) == len({drive.device for drive in drives}) == 13
    assert [drive.discard for drive in drives] == [False] * 12 + [True]
    assert not Scenario().replacement().discard


def test_md_always_writes_the_whole_drive() -> None:
    assert Scenario(allocated=0.5).write_bytes == 2 * 10**12
    assert Scenario(allocated=0.5, system="md").write_bytes == 4 * 10**12
