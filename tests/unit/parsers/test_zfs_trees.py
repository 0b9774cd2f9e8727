"""Redundancy from the device tree (rules derived from the published source: vdev.c, vdev_mirror.c, vdev_raidz.c), and
what a cut or garbled table may never claim.
"""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Role
from support.zfs_samples import MIRROR, RAIDZ_REPLACE, document, parse, pool

SINCE = "Mon Mar  2 08:15:09 2026"
RUNNING = (
    f"  scan: resilver in progress since {SINCE}\n\t1T / 4T scanned, 1T / 4T issued\n\t1T resilvered, 25.00% done\n"
)
ENDED = f"  scan: resilvered 1T in 01:00:00 with 0 errors on {SINCE}\n"


def table(*rows: str) -> str:
    """Rows as ``depth name state [notes]``, below the pool's own."""
    tops = [row.split(" ")[2] for row in rows if row.startswith("1 ")]
    state = "ONLINE" if {"ONLINE"} == set(tops) else "DEGRADED"
    lines = [f"{'vault':<27}{state:<8}     0     0     0"]
    for row in rows:
        depth, name, *rest = row.split(" ", 3)
        if not rest:
            lines.append(name)
            continue
        counts = "" if rest[0] in {"AVAIL", "INUSE"} else "     0     0     0"
        notes = f"  {rest[1]}" if len(rest) > 1 else ""
        lines.append(f"{'  ' * int(depth) + name:<27}{rest[0]:<8}{counts}{notes}")
    return "\n".join(lines)


RAIDZ2 = ("1 raidz2-0 DEGRADED", "2 a ONLINE", "2 b ONLINE", "2 c ONLINE")
WELL = ("1 raidz2-0 ONLINE", *RAIDZ2[1:])
# The rows, whether a resilver runs, then full, left, slots, level, fills.
TREES = {
    "single drive": (("1 a ONLINE",), False, 0, 0, 1, "stripe", ()),
    "two plain drives": (("1 a ONLINE", "1 b ONLINE"), False, 0, 0, 2, "stripe", ()),
    "three-way mirror, one gone": (
        ("1 mirror-0 DEGRADED", "2 a ONLINE", "2 b UNAVAIL was /dev/b", "2 c ONLINE"), False, 2, 1, 3, "mirror", (),
    ),
    "raidz2, one gone": ((*RAIDZ2, "2 d REMOVED"), False, 2, 1, 4, "raidz2", ()),
    "raidz2, drive with many errors still serves": (
        (*RAIDZ2, "2 d DEGRADED too many errors"), False, 2, 2, 4, "raidz2", (),
    ),
    "raidz without a number": (("1 raidz-0 ONLINE", "2 a ONLINE", "2 b OFFLINE"), False, 1, 0, 2, "raidz1", ()),
    "group of two kinds": (
        ("1 mirror-0 ONLINE", "2 a ONLINE", "2 b ONLINE", *WELL, "2 d ONLINE"), False, 1, 1, 6, "mirror+raidz2", (),
    ),
    "more is lost than it survives": (
        ("1 raidz1-0 UNAVAIL insufficient replicas", "2 a ONLINE", "2 b FAULTED", "2 c FAULTED"),
        False, 1, -1, 3, "raidz1", (),
    ),
    "spare in use, resilvered": (
        ("1 mirror-0 DEGRADED", "2 a ONLINE", "2 spare-1 DEGRADED", "3 b FAULTED", "3 s ONLINE",
         "0 spares", "1 s INUSE currently in use"),
        False, 1, 1, 2, "mirror", (),
    ),
    "spare being filled": (
        ("1 mirror-0 DEGRADED", "2 a ONLINE", "2 spare-1 DEGRADED", "3 b FAULTED", "3 s ONLINE (resilvering)",
         "0 spares", "1 s INUSE currently in use"),
        True, 1, 0, 2, "mirror", ("s",),
    ),
    "replacing a drive that still serves": (
        (*WELL, "2 replacing-3 ONLINE", "3 d ONLINE", "3 n ONLINE (resilvering)"), True, 2, 2, 4, "raidz2", ("n",),
    ),
    "replacing, nothing written yet": (
        (*RAIDZ2, "2 replacing-3 DEGRADED", "3 d OFFLINE", "3 n ONLINE"), True, 2, 1, 4, "raidz2", ("n",),
    ),
    "replacement failed too": (
        (*RAIDZ2, "2 replacing-3 DEGRADED", "3 d OFFLINE", "3 n FAULTED too many errors"),
        True, 2, 0, 4, "raidz2", (),
    ),
    "waits for its turn": ((*WELL, "2 d ONLINE (awaiting resilver)"), True, 2, 0, 4, "raidz2", ()),
    "attached, all ONLINE": (
        ("1 mirror-0 ONLINE", "2 a ONLINE", "2 b ONLINE (resilvering)"), True, 1, 0, 2, "mirror", ("b",),
    ),
    "marked by what it has got": (
        ("1 mirror ONLINE", "2 a ONLINE", "2 b ONLINE 1.28G resilvered"), True, 1, 0, 2, "mirror", ("b",),
    ),
    "marked throughout, which tells nothing": (
        ("1 raidz1-0 ONLINE", "2 a ONLINE (resilvering)", "2 b ONLINE (resilvering)", "2 c ONLINE (resilvering)"),
        True, 1, 0, 3, "raidz1", (),
    ),
    "one more lost while the replacement is filled": (
        ("1 raidz1-0 DEGRADED", "2 a FAULTED", "2 replacing-1 DEGRADED", "3 b UNAVAIL", "3 n ONLINE (resilvering)",
         "2 c ONLINE"),
        True, 1, -1, 3, "raidz1", ("n",),
    ),
    "replacing, while another one catches up": (
        ("1 raidz1-0 DEGRADED", "2 a ONLINE (awaiting resilver)", "2 replacing-1 DEGRADED", "3 b UNAVAIL",
         "3 n ONLINE (resilvering)", "2 c ONLINE"),
        True, 1, 0, 3, "raidz1", ("n",),
    ),
    "which one is not told yet": (("1 mirror-0 ONLINE", "2 a ONLINE", "2 b ONLINE"), True, 1, 0, 2, "mirror", ()),
    "not told, one more gone": ((*RAIDZ2, "2 d OFFLINE"), True, 2, 0, 4, "raidz2", ()),
    "special is worse than the rest": (
        (*WELL, "0 special\t", "1 mirror-1 DEGRADED", "2 s1 ONLINE", "2 s2 OFFLINE"), False, 1, 0, 5, "raidz2", (),
    ),
    "dedup on one drive": ((*WELL, "0 dedup\t", "1 s1 ONLINE"), False, 0, 0, 4, "raidz2", ()),
    "logs and cache do not count": (
        (*WELL, "0 logs\t", "1 l1 FAULTED", "0 cache", "1 c1 UNAVAIL", "0 spares", "1 s1 AVAIL", "1 s2 AVAIL"),
        False, 2, 2, 3, "raidz2", (),
    ),
    "draid with its spare in place": (
        ("1 draid1:2d:5c:1s-0 DEGRADED", "2 a ONLINE", "2 b ONLINE", "2 spare-2 DEGRADED", "3 c UNAVAIL",
         "3 draid1-0-0 ONLINE", "2 d ONLINE", "2 e ONLINE", "0 spares", "1 draid1-0-0 INUSE currently in use"),
        False, 1, 1, 5, "draid1", (),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", TREES)
def test_redundancy_and_fills(name: str) -> None:
    rows, runs, full, left, slots, level, fills = TREES[name]
    array = pool(document(RUNNING if runs else ENDED, table(*rows), state="DEGRADED"))
    assert (array.redundancy_full, array.redundancy_left, array.slots, array.level) == (full, left, slots, level)
    assert tuple(fill for one in array.activities or () for fill in one.fills) == fills
    assert tuple(member.name for member in array.members if member.rebuilding) == fills
    assert array.lost is (left < 0)


def test_members_keep_their_group_role_and_errors() -> None:
    rows = (*RAIDZ2, "0 logs\t", "1 mirror-1 ONLINE", "2 l1 ONLINE", "2 l2 ONLINE", "0 spares", "1 s AVAIL")
    array = pool(document(table=table(*rows)))
    assert [(m.name, m.role, m.group, m.good) for m in array.members] == [
        ("a", Role.DATA, "raidz2-0", True),
        ("b", Role.DATA, "raidz2-0", True),
        ("c", Role.DATA, "raidz2-0", True),
        ("l1", Role.LOG, "mirror-1", False),
        ("l2", Role.LOG, "mirror-1", False),
        ("s", Role.SPARE, None, False),
    ]
    assert array.spares_free == 1
    replaced = pool(document(RUNNING, RAIDZ_REPLACE, state="DEGRADED")).members
    assert [member.errors.checksum for member in replaced if member.errors is not None] == [0, 0, 0, 1, 0]


def test_names_with_blanks_and_control_characters() -> None:
    rows = MIRROR.replace("dsk-a01", "my img").replace("dsk-a02", "x\x07y  z").replace("vault ", "my v  ")
    seen = parse(document(table=rows, name="my\x1bv"))
    assert seen.unread == ()
    assert [member.name for member in seen.arrays[0].members] == ["my img", "x?y  z"]
    assert seen.arrays[0].name == "my?v"


def test_rows_out_of_column_are_read_from_their_words() -> None:
    """In 0.6 the width of a name leaves out the suffix, so that rows are shifted."""
    rows = MIRROR.replace("dsk-a01                ONLINE", "a-very-long-name-of-a-drive-0 ONLINE")
    array = pool(document(table=rows))
    assert [member.name for member in array.members] == ["a-very-long-name-of-a-drive-0", "dsk-a02"]


PATHS = "        /v/a\n        <0x2f>:<0x1>\n"


@pytest.mark.parametrize(
    ("errors", "count"),
    [
        ("errors: No known data errors\n", 0),
        ("errors: 1150 data errors, use '-v' for a list\n", 1150),
        ("errors: 1 data errors, use '-v' for a list\n", 1),
        ("errors: List of errors unavailable (insufficient privileges)\n", None),
        (
            "errors: Permanent errors have been detected in the following files:\n\n" + PATHS,
            2,
        ),
        ("", None),
    ],
)
def test_damaged_data(errors: str, count: int | None) -> None:
    array = pool(document(errors=errors))
    assert array.data_errors == count
    assert array.redundancy_left == 1


def test_several_pools_and_a_cut_in_the_last() -> None:
    first, second = document(), document(name="tank", errors="")
    seen = parse(f"{first}\n{second.rstrip()}")
    assert [(one.name, one.redundancy_left) for one in seen.arrays] == [("vault", 1), ("tank", None)]
    assert seen.arrays[1].why_unknown


def test_a_pool_without_a_configuration() -> None:
    seen = parse("  pool: vault\n state: UNAVAIL\nconfig: The configuration cannot be determined.\n")
    (array,) = seen.arrays
    assert (array.lost, array.redundancy_left, array.redundancy_full, array.level) == (True, None, None, None)
    assert array.why_unknown


WHOLE = document(RUNNING, RAIDZ_REPLACE, state="DEGRADED")


@given(st.integers(0, len(WHOLE)))
@settings(max_examples=150)
def test_a_cut_document_never_claims_more(length: int) -> None:
    try:
        seen = parse(WHOLE[:length])
    except ParseError:
        return
    for array in seen.arrays:
        assert array.redundancy_left in {None, 0}


@given(st.lists(st.sampled_from(WHOLE.splitlines(keepends=True)), max_size=24), st.text(max_size=12))
@settings(max_examples=150)
def test_garbled_documents_raise_nothing_else(lines: list[str], noise: str) -> None:
    try:
        seen = parse(noise.join(lines))
    except ParseError:
        return
    for array in seen.arrays:
        assert array.redundancy_left is not None or array.why_unknown


@pytest.mark.parametrize(
    ("rows", "why"),
    [
        (RAIDZ2, "none of its drives tells why"),
        (("1 raidz2-0 ONLINE", "2 a ONLINE", "2 b ONLINE"), "lacks drives that it must have"),
        (("1 mirror-0 ONLINE", "2 a ONLINE", "2 a ONLINE", "2 b ONLINE"), "a stands twice in one vdev"),
        (("1 mirror-0 ONLINE", "2 a ONLINE", "2 b ONLINE (resilvering)"), "the scan that does so is not told"),
        (("2 a ONLINE", "2 b ONLINE"), "was not read whole"),
        (("1 raidz9-0 ONLINE", *(f"2 {name} ONLINE" for name in "abcdefghijkl")), "raidz9-0 survives is not told"),
        (("1 mirror-0 DEGRADED", "2 a ONLINE", "2 spare-1 DEGRADED", "3 b FAULTED", "3 s ONLINE"), "no scan is told"),
    ],
    ids=[
        "degraded for no drive",
        "too few",
        "twice",
        "marked, and no scan",
        "group's row lacking",
        "parity of no kind",
        "spare, and no scan",
    ],
)
def test_rows_that_do_not_hold_together_are_not_judged(rows: tuple[str, ...], why: str) -> None:
    array = pool(document("", table(*rows)))
    assert array.redundancy_left is None
    assert why in (array.why_unknown or "")


def test_one_name_for_all_drives_was_masked() -> None:
    assert pool(document("", table("1 mirror-0 ONLINE", "2 x ONLINE", "2 x ONLINE"))).redundancy_left == 1


def test_a_scan_that_is_not_understood_may_be_a_resilver() -> None:
    for scan, left in (("scrub of a new kind", 1), ("resilver of a new kind", None)):
        (array,) = parse(document(f"  scan: {scan}\n")).arrays
        assert array.redundancy_left == left


def test_the_run_of_a_vdev_that_is_not_there_is_not_judged() -> None:
    array = pool(document(f"  scan: resilver (mirror-7) in progress since {SINCE}\n"))
    assert "mirror-7" in (array.why_unknown or "")


def test_the_advice_tells_of_a_resilver_whose_scan_is_lacking() -> None:
    array = pool(document(before="status: One or more devices is currently being resilvered.\n"))
    assert array.redundancy_left is None
