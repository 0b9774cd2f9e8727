"""The readings of one poll brought together: what is asked, what is trusted, and what is said when nothing answers."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from mendwatch.model.capture import CommandRead, FileRead
from mendwatch.model.observation import ActivityKind, Array, IdKind
from mendwatch.model.plugin import Command, File, Files
from mendwatch.parsers.zfs import PARSER
from support.zfs_samples import AT, MIRROR, answer, capture, document, parse

AS_JSON = ("-j", "--json-int")
GIB = 1 << 30
SCAN: dict[str, object] = {
    "function": "RESILVER", "state": "SCANNING", "start_time": 1772439309, "end_time": 0, "to_examine": 1000 * GIB,
    "examined": 700 * GIB, "skipped": 200 * GIB, "processed": 90 * GIB, "errors": 0, "bytes_per_scan": 0,
    "pass_start": int(AT.timestamp()) - 4000, "scrub_pause": 0, "scrub_spent_paused": 0,
    "issued_bytes_per_scan": 400 * GIB, "issued": 400 * GIB,
}  # fmt: skip
SEQUENTIAL: dict[str, object] = {
    "state": "ACTIVE", "start_time": 1772439309, "end_time": 0, "scanned": 500 * GIB, "issued": 480 * GIB,
    "rebuilt": 240 * GIB, "to_scan": 1000 * GIB, "errors": 0, "pass_time": 4_000_000_000_000,
    "pass_scanned": 500 * GIB,
}  # fmt: skip


def leaf(state: str = "ONLINE", **more: object) -> dict[str, object]:
    return {
        "vdev_type": "disk",
        "guid": 4093117205518846621,
        "class": "normal",
        "state": state,
        "read_errors": 0,
        **more,
    }


def as_json(scan: dict[str, object] | None = None, first: dict[str, object] | None = None, **more: object) -> str:
    """A mirror of ``a`` and ``b`` as 2.3 writes it; ``first`` is a, b gets what is written."""
    leaves = {"a": first or leaf(), "b": leaf(scan_processed=90 * GIB, phys_space=4000 * GIB)}
    mirror = {"name": "mirror-0", "vdev_type": "mirror", "state": "ONLINE", "vdevs": leaves}
    root = {"name": "vault", "vdev_type": "root", "state": "ONLINE", "vdevs": {"mirror-0": mirror}}
    pool = {
        "name": "vault",
        "state": "ONLINE",
        "pool_guid": 7301442119850362217,
        "vdevs": {"vault": root},
        "error_count": 0,
    }
    return json.dumps({"output_version": {}, "pools": {"vault": pool | {"scan_stats": scan or {}} | more}})


def exact(text: str, *options: str) -> Array:
    seen = parse(text, *(options or AS_JSON))
    assert (seen.unread, seen.error, seen.complete) == ((), None, True)
    (array,) = seen.arrays
    return array


def test_the_kernels_files_and_json_are_asked_first() -> None:
    wants = PARSER.wants(())
    assert wants[0] == Files("/proc/spl/kstat/zfs/*/state")
    assert wants[-1] == Command(("zpool", "status", *AS_JSON))
    assert File("/sys/module/zfs/parameters/zfs_scan_suspend_progress") in wants
    assert (PARSER.name, PARSER.program) == ("zfs", "zpool")
    assert "/dev/zfs" in PARSER.present_if


KERNEL = (
    FileRead("/proc/spl/kstat/zfs/shelf/state", "ONLINE\n"),
    FileRead("/proc/spl/kstat/zfs/doom/state", "SUSPENDED\n"),
)
GUIDS = ("zpool", "list", "-H", "-o", "name,guid")
REFUSED = answer("", *AS_JSON, code=2, stderr="invalid option 'j'\nusage: ...")


@pytest.mark.parametrize(
    ("reads", "then"),
    [
        ((FileRead("/proc/x", "y"),), ()),
        ((answer(as_json(), *AS_JSON),), ()),
        ((answer("", *AS_JSON, code=None),), ()),
        ((REFUSED,), (("zpool", "status", "-p"), GUIDS)),
        ((answer("", *AS_JSON),), (("zpool", "status", "-p"), GUIDS)),
        ((REFUSED, answer("", "-p", code=2)), (("zpool", "status", "-p"), ("zpool", "status"), GUIDS)),
        # A pool that hangs: the others are asked by name, not the one that the kernel calls suspended.
        ((*KERNEL, answer("", *AS_JSON, code=None)), (("zpool", "status", *AS_JSON, "shelf"),)),
    ],
)
def test_text_is_asked_for_where_json_is_refused(
    reads: tuple[CommandRead, ...], then: tuple[tuple[str, ...], ...]
) -> None:
    assert PARSER.wants(reads) == tuple(Command(argv) for argv in then)


def test_a_healing_resilver_in_numbers() -> None:
    array = exact(as_json(SCAN))
    assert (array.id, array.id_kind) == ("7301442119850362217", IdKind.POOL_GUID)
    (activity,) = array.activities or ()
    assert activity.done == pytest.approx(400 / 800)
    assert (activity.done_bytes, activity.total_bytes) == (400 * GIB, 800 * GIB)
    # zpool_main.c, print_scan_scrub_resilver_status: what is left over the mean of the pass, in whole numbers.
    assert activity.native_seconds_left == 400 * GIB // (400 * GIB // 4000)
    assert activity.started == datetime(2026, 3, 2, 8, 15, 9, tzinfo=UTC)
    assert activity.counters == {"issued": 400 * GIB, "processed": 90 * GIB, "scanned": 700 * GIB, "leaf:b": 90 * GIB}
    assert activity.fills == ("b",)
    assert (array.redundancy_full, array.redundancy_left, array.member_bytes) == (1, 0, 4000 * GIB)


@pytest.mark.parametrize(
    "changed",
    [
        {"issued_bytes_per_scan": 4000},  # below 10 MiB/s the tool prints no estimate
        {"processed": 0},  # 2.1.12 and later: nothing written yet
        {"issued": 900 * GIB},  # more than all
        {"pass_start": 0},
        {"to_examine": None},
    ],
)
def test_no_estimate_where_the_tool_prints_none(changed: dict[str, object]) -> None:
    (activity,) = exact(as_json(SCAN | changed)).activities or ()
    assert activity.native_seconds_left is None


def test_numbers_as_digits_and_as_scaled_strings() -> None:
    digits = {key: value if key in {"pass_start", "function", "state"} else str(value) for key, value in SCAN.items()}
    assert exact(as_json(digits), "-j", "-p").activities == exact(as_json(SCAN)).activities
    scaled: dict[str, object] = {
        "function": "RESILVER", "state": "SCANNING", "start_time": "Mon Mar  2 09:15:09 CET 2026", "end_time": "-",
        "to_examine": "1000G", "skipped": "200G", "issued": "400G", "scrub_pause": "-",
    }  # fmt: skip
    seen = parse(as_json(scaled, error_count="1.50K"), "-j", zone="Europe/Vienna").arrays[0]
    (activity,) = seen.activities or ()
    assert (activity.done, activity.started) == (0.5, datetime(2026, 3, 2, 8, 15, 9, tzinfo=UTC))
    assert seen.data_errors == 1536


@pytest.mark.parametrize("pause", [1772439400, "Mon Mar  2 09:15:09 CET 2026"])
def test_a_paused_scrub_and_a_running_one(pause: object) -> None:
    scrub = SCAN | {"function": "SCRUB", "processed": 0}
    (running,) = exact(as_json(scrub)).activities or ()
    assert (running.kind, running.running, running.native_seconds_left) == (ActivityKind.SCRUB, True, 4000)
    (paused,) = exact(as_json(scrub | {"scrub_pause": pause})).activities or ()
    assert (paused.running, paused.paused, paused.native_seconds_left, paused.fills) == (False, True, None, ())


def test_a_sequential_resilver_in_numbers() -> None:
    array = exact(as_json({"rebuild_stats": {"mirror-0": SEQUENTIAL, "mirror-1": {"state": "NONE"}, "odd": 1}}))
    (activity,) = array.activities or ()
    assert activity.subject == "mirror-0"
    assert activity.done == pytest.approx(0.5)
    assert activity.native_seconds_left == 500 * GIB // (500 * GIB // 4_000_001 * 1000)
    assert activity.fills == ("b",)
    ended = SEQUENTIAL | {"state": "COMPLETE", "end_time": 1772440000}
    last = exact(as_json({"rebuild_stats": {"mirror-0": ended}})).last_activity
    assert last is not None
    assert (last.kind, last.ended, last.bytes) == (
        ActivityKind.REBUILD,
        datetime.fromtimestamp(1772440000, UTC),
        240 * GIB,
    )


def test_error_scrub_expansion_and_removal() -> None:
    """The keys of expansion and removal are from memory."""
    (scrub,) = exact(as_json({"err_scrub_state": "ERRORSCRUBBING", "err_scrub_pause": 0})).activities or ()
    assert (scrub.kind, scrub.running) == (ActivityKind.SCRUB, True)
    expand = {
        "state": "SCANNING",
        "start_time": 1772439309,
        "to_reflow": 400,
        "reflowed": 100,
        "waiting_for_resilver": 1,
    }
    (grown,) = exact(as_json(raidz_expand_stats=expand)).activities or ()
    assert (grown.kind, grown.paused, grown.done) == (ActivityKind.EXPAND, True, 0.25)
    remove = {"state": "SCANNING", "to_copy": 400}
    (gone,) = exact(as_json(removal_stats=remove)).activities or ()
    assert (gone.kind, gone.running, gone.done, gone.counters) == (ActivityKind.REMOVE, True, None, {})


@pytest.mark.parametrize(
    ("first", "state", "left"),
    [
        (leaf("CANT_OPEN", not_present=1, was="/dev/a"), "UNAVAIL", 0),
        (leaf("CANT_OPEN", aux="CORRUPT_DATA"), "FAULTED", 0),
        (leaf("CLOSED"), "OFFLINE", 0),
        (leaf(resilver_deferred=1), "ONLINE", 0),
        (leaf("DEGRADED"), "DEGRADED", 1),
    ],
)
def test_raw_states_become_the_words_of_the_text(first: dict[str, object], state: str, left: int) -> None:
    array = exact(as_json(first=first))
    assert (array.members[0].state, array.redundancy_left) == (state, left)


def test_a_state_that_is_no_word_of_the_tool_is_not_known_to_be_bad_or_good() -> None:
    array = exact(as_json(first=leaf("RESTING")))
    assert (array.redundancy_left, array.lost) == (None, False)
    assert "RESTING" in (array.why_unknown or "")


def test_an_expansion_that_has_ended() -> None:
    ended = {"state": "FINISHED", "start_time": 1772439309, "end_time": 1772440000, "reflowed": 100}
    last = exact(as_json(raidz_expand_stats=ended)).last_activity
    assert last is not None
    assert (last.kind, last.ended) == (ActivityKind.EXPAND, datetime.fromtimestamp(1772440000, UTC))


def test_a_group_without_a_state_is_judged_by_its_children() -> None:
    """OpenZFS 2.3 leaves it out for dRAID (its issue 18431)."""
    for state, left in (("ONLINE", 1), ("FAULTED", 0)):
        top = {"name": "draid1:1d:2c:0s-0", "vdevs": {"a": leaf(state), "b": leaf()}}
        root = {"vault": {"name": "vault", "vdevs": {"draid1:1d:2c:0s-0": top}}}
        assert exact(as_json(vdevs=root)).redundancy_left == left


def test_a_child_that_is_no_object_leaves_a_vdev_unjudged() -> None:
    top = {"name": "raidz1-0", "state": "ONLINE", "vdevs": {"a": leaf(), "b": leaf(), "odd": 1}}
    root = {"vault": {"name": "vault", "vdevs": {"raidz1-0": top}}}
    assert exact(as_json(vdevs=root)).redundancy_left is None


@pytest.mark.parametrize("stats", [1, {"function": "RESILVER", "state": 7}, {"rebuild_stats": {"mirror-0": "?"}}])
def test_scans_in_words_that_are_not_known_leave_a_pool_unjudged(stats: object) -> None:
    assert exact(as_json(scan_stats=stats)).redundancy_left is None


def test_special_logs_and_spares_have_their_own_maps() -> None:
    sections = {"logs": {"l": leaf(**{"class": "log"})}, "spares": {"s": {"state": "AVAIL"}}, "l2cache": {"c": leaf()}}
    special = {"mirror-1": {"name": "mirror-1", "state": "DEGRADED", "vdevs": {"x": leaf(), "y": leaf("REMOVED")}}}
    array = exact(as_json(None, None, special=special, **sections))
    assert (array.redundancy_left, array.spares_free, array.slots, array.level) == (0, 1, 4, "mirror")
    assert [m.name for m in array.members] == ["a", "b", "x", "y", "l", "c", "s"]


def test_a_special_vdev_counts_wherever_it_is_listed() -> None:
    vdevs = {
        "raidz1-0": {"state": "ONLINE", "vdevs": {name: leaf() for name in "abc"}},
        "s": leaf() | {"class": "special"},
    }
    root = {"vault": {"state": "ONLINE", "vdevs": vdevs}}
    array = exact(as_json(vdevs=root))
    assert (array.redundancy_left, array.level, array.members[-1].role) == (0, "raidz1", "special")
    assert exact(as_json(vdevs=root, special={"s": leaf() | {"class": "special"}})).members == array.members
    assert exact(as_json(special={"s": 1})).redundancy_left is None


def test_a_pool_without_vdevs_is_unknown() -> None:
    array = exact(as_json(vdevs={}))
    assert (array.redundancy_left, array.slots) == (None, None)
    assert array.why_unknown


@pytest.mark.parametrize("text", ["{", "[]", '{"pools": 3}', "[" * 100_000])
def test_json_that_is_none_is_refused(text: str) -> None:
    seen = parse(text, *AS_JSON)
    assert seen.error
    assert not seen.complete


def test_json_of_another_version_is_read_and_reported() -> None:
    known = json.loads(as_json())
    other = {**known, "output_version": {"vers_major": 1, "vers_minor": 0}, "pools": {**known["pools"], "odd": 3}}
    seen = parse(json.dumps(other), *AS_JSON)
    assert [line.text for line in seen.unread] == ["odd: 3", "output_version: vers_major 1 is not known"]
    assert seen.arrays == (exact(as_json()),)


def test_text_that_is_none_is_refused() -> None:
    assert "not the output of zpool status" in str(parse("hello\nthere\n").error)


def test_the_most_exact_reading_counts_and_no_pool_counts_twice() -> None:
    reads = (answer(document()), answer(as_json(SCAN), *AS_JSON), answer(document(), "-p"), answer(document(), "-x"))
    seen = PARSER.parse(capture(*reads))
    (array,) = seen.arrays
    assert array.redundancy_left == 0
    assert seen == PARSER.parse(capture(*reversed(reads)))


def test_a_full_path_and_other_words_are_accepted() -> None:
    read = CommandRead(("/usr/sbin/zpool", "status", "-v", "-P", "vault"), 0, document())
    other = CommandRead(("zpool", "list", "-Hp"), 0, "vault\t1\n")
    seen = PARSER.parse(capture(other, CommandRead((), 0), read))
    assert ([one.name for one in seen.arrays], seen.complete) == (["vault"], False)


@pytest.mark.parametrize("read", [answer("no pools available\n"), answer("", stderr="no pools available\n")])
def test_no_pools_is_an_answer(read: CommandRead) -> None:
    seen = PARSER.parse(capture(read))
    assert (seen.arrays, seen.error, seen.complete) == ((), None, True)


def test_all_healthy_is_no_list_of_pools() -> None:
    seen = parse("all pools are healthy\n", "-x")
    assert (seen.arrays, seen.complete, seen.error) == ((), False, None)


@pytest.mark.parametrize(
    ("read", "said"),
    [
        (answer(""), "printed nothing"),
        (CommandRead(("zpool", "status"), None, error="no answer within 25 s"), "no answer within 25 s"),
        (answer("", code=1, stderr="The ZFS modules are not loaded.\nTry ...\n"), "modules are not loaded"),
        (answer("", code=1, stderr="Permission denied the ZFS utilities must be run as root.\n"), "Permission denied"),
        (answer("", code=3), "ended with 3"),
        (REFUSED, "no zpool status"),
        (CommandRead(("zpool", "list"), 0, "x"), "no zpool status"),
    ],
)
def test_why_nothing_could_be_read(read: CommandRead, said: str) -> None:
    seen = PARSER.parse(capture(read))
    assert said in (seen.error or "")
    assert (seen.arrays, seen.complete) == ((), False)


def test_the_kernels_files_speak_while_zpool_is_silent() -> None:
    silent = CommandRead(("zpool", "status"), None, error="no answer within 25 s")
    files = [
        FileRead(f"/proc/spl/kstat/zfs/{name}/state", f"{word}\n")
        for name, word in (("a", "ONLINE"), ("b", "SUSPENDED"))
    ]
    gone = FileRead("/proc/spl/kstat/zfs/c/state", None, "permission denied")
    seen = PARSER.parse(capture(silent, *files, gone, FileRead("/proc/spl/kstat/zfs/dbgmsg", "x")))
    assert seen.error == "zpool status: no answer within 25 s"
    assert not seen.complete
    assert [(one.name, one.state, one.lost, one.redundancy_left) for one in seen.arrays] == [
        ("a", "ONLINE", False, None),
        ("b", "SUSPENDED", True, -1),
    ]
    assert [(one.activities, one.members, bool(one.why_unknown)) for one in seen.arrays] == [
        (None, (), True),
        (None, (), False),
    ]


def test_the_kernel_says_suspended_before_the_text_does() -> None:
    """lib/libzfs/libzfs_status.c looks at a resilver first, module/zfs/spa_misc.c at suspension."""
    seen = PARSER.parse(capture(answer(document()), FileRead("/proc/spl/kstat/zfs/vault/state", "SUSPENDED\n")))
    assert (seen.arrays[0].state, seen.arrays[0].lost, seen.arrays[0].redundancy_left) == ("SUSPENDED", True, -1)


def test_members_are_tied_to_the_drives_behind_them() -> None:
    poll = replace(capture(answer(document(table=MIRROR))), links={"dsk-a01": ("sdb",), "dsk-a02": ()})
    assert [member.drive for member in PARSER.parse(poll).arrays[0].members] == ["sdb", None]
