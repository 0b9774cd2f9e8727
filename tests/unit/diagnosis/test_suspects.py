from __future__ import annotations

import pytest

from mendwatch.diagnosis import suspect_lines
from mendwatch.model.capture import DriveFacts
from mendwatch.model.observation import Array, IdKind, Member, Role


def array(role: Role) -> Array:
    members = (
        Member("bay-1", Role.DATA, "raidz1-0", "sda", "ONLINE", good=True, rebuilding=False),
        Member("bay-2", role, None, "sdb", "AVAIL", good=False, rebuilding=False),
    )
    return Array("a", "a", IdKind.NAME, "zfs", None, "ONLINE", 1, 1, None, 1, 0, members, (), None)


PLAIN = DriveFacts(rotational=True, discard=False, zoned="none", link="6.0 Gbps")


@pytest.mark.parametrize(
    ("facts", "word"),
    [
        (DriveFacts(zoned="drive-managed"), "shingled (drive-managed)"),
        (DriveFacts(zoned="host-aware"), "shingled (host-aware)"),
        (DriveFacts(zoned="host-managed"), "host-managed"),
        (DriveFacts(rotational=True, discard=True, zoned="none"), "common practice"),
        (DriveFacts(rotational=True, link="USB 5 Gbps"), "USB"),
        (DriveFacts(rotational=True, link="1.5 Gbps"), "1.5 Gbps"),
    ],
)
@pytest.mark.parametrize("role", [Role.DATA, Role.SPARE])
def test_a_drive_whose_own_facts_speak_against_it(facts: DriveFacts, word: str, role: Role) -> None:
    (line,) = suspect_lines(array(role), {"sda": PLAIN, "sdb": facts}, {"bay-1": ("sda",), "bay-2": ("sdb",)})
    assert line.startswith("bay-2 (sdb): ")
    assert word in line


def test_nothing_is_said_of_plain_unknown_or_solid_state_drives() -> None:
    links = {"bay-1": ("sda",), "bay-2": ("sdb",)}
    solid = DriveFacts(rotational=False, discard=True)
    assert suspect_lines(array(Role.DATA), {"sda": PLAIN, "sdb": solid}, links) == ()
    assert suspect_lines(array(Role.DATA), {}, {}) == ()


def test_logs_are_not_rebuilt_onto() -> None:
    facts = {"sda": PLAIN, "sdb": DriveFacts(zoned="drive-managed")}
    assert suspect_lines(array(Role.LOG), facts, {}) == ()


def test_the_parsers_drive_stands_in_for_a_missing_link() -> None:
    facts = {"sda": PLAIN, "sdb": DriveFacts(zoned="drive-managed")}
    (line,) = suspect_lines(array(Role.DATA), facts, {})
    assert line.startswith("bay-2 (sdb)")
