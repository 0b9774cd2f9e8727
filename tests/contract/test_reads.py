"""The agent only looks: every command that any storage system here asks for stands in this list.

Adding to the list is a commit of its own, with its reason. None of these changes anything on the host, and none prints
the names of files or what somebody typed.
"""

from collections.abc import Iterable, Iterator

import pytest

from mendwatch.model.capture import CommandRead, FileRead, Read
from mendwatch.model.plugin import Command, File, Files, Parser, Want
from mendwatch.sources import registry

MOUNT = "/srv/My Books"
POOL = "books"
LVS_COLUMNS = (
    "lv_uuid,vg_name,lv_name,segtype,lv_attr,lv_health_status,sync_percent,raid_sync_action,raid_mismatch_count,"
    "raid_min_recovery_rate,raid_max_recovery_rate,devices"
)

ALLOWED = {
    "zfs": {
        ("zpool", "status", "-j", "--json-int"),
        ("zpool", "status", "-p"),
        ("zpool", "status"),
        # The text of status does not tell a pool's GUID, without which a pool made anew under its name looks the same.
        ("zpool", "list", "-H", "-o", "name,guid"),
        # One pool that hangs holds up the answer for all: the others are asked by name.
        ("zpool", "status", "-j", "--json-int", POOL),
    },
    "md": set[tuple[str, ...]](),
    "btrfs": {
        ("btrfs", "replace", "status", "-1", MOUNT),
        ("btrfs", "device", "stats", MOUNT),
        ("btrfs", "filesystem", "show", "--raw", MOUNT),
        ("btrfs", "filesystem", "usage", "-b", MOUNT),
        # Tells without root which devices are missing, and by their numbers which of them sysfs may be asked about.
        ("btrfs", "device", "usage", "-b", MOUNT),
        ("btrfs", "scrub", "status", MOUNT),
        ("btrfs", "balance", "status", MOUNT),
    },
    "dm-raid": {
        ("dmsetup", "status", "--target", "raid", "--noflush"),
        ("dmsetup", "table", "--target", "raid"),
        # The kernel knows neither the volumes' ids nor that a drive of theirs is missing which nothing has read since.
        # It takes locks and reads the drives: it must be marked as run only seldom.
        ("lvs", "-a", "--reportformat", "json", "--units", "b", "--nosuffix", "-o", LVS_COLUMNS),
    },
}
# Read-only reports that belong to a storage system beside its own program.
REPORTS = {"dm-raid": {"lvs"}}

# What a host may answer, so that what a parser asks in its later rounds is seen too.
UUID = "966d8497-dcf5-4a9c-b8b5-c2f7a7131a99"
MOUNTINFO = f"41 21 0:40 / {MOUNT.replace(' ', chr(92) + '040')} rw,noatime shared:9 - btrfs /dev/sdb rw,subvol=/\n"
TEXTS = {
    "/proc/self/mountinfo": MOUNTINFO,
    f"/sys/fs/btrfs/{UUID}/exclusive_operation": "balance\n",
    f"/sys/fs/btrfs/{UUID}/label": "books\n",
    f"/sys/fs/btrfs/{UUID}/devinfo/1/missing": "0\n",
    "/proc/mdstat": "Personalities : [raid1]\nmd0 : active raid1 sdb[1] sda[0]\n      100 blocks [2/2] [UU]\n",
    f"/proc/spl/kstat/zfs/{POOL}/state": "ONLINE\n",
    "/proc/spl/kstat/zfs/gone/state": "SUSPENDED\n",
    "/sys/block/dm-4/dm/name": "books-mir\n",
    "/sys/block/dm-4/dm/uuid": "LVM-C4i2fIHUWh7eJxlnjXFx44Zk7S5xK5KVL4jBcUiZgeq3fcOrus5TYGmoe6HKFbcO\n",
}
ANSWERS = (
    CommandRead((), 0, ""),
    CommandRead((), 0, "books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -\n"),
    CommandRead((), 1, "", "cannot open: Permission denied\n"),
    CommandRead((), 2, "", "invalid option 'j'\nusage:\n"),
    CommandRead((), None, error="no answer within 20 s"),
)

PARSERS = registry.load().parsers


def wanted(parser: Parser) -> Iterator[Want]:
    """Everything a parser asks for, over hosts that answer its commands in every way."""
    for answer in ANSWERS:
        reads: list[Read] = []
        asked: set[Want] = set()
        for _ in range(6):
            new = [want for want in parser.wants(tuple(reads)) if want not in asked]
            yield from new
            asked.update(new)
            reads += [read for want in new for read in answered(want, answer)]


def answered(want: Want, answer: CommandRead) -> Iterable[Read]:
    if isinstance(want, Command):
        return [CommandRead(want.argv, answer.exit, answer.stdout, answer.stderr, 0.1, answer.error)]
    if isinstance(want, File):
        return [FileRead(want.path, TEXTS.get(want.path), None if want.path in TEXTS else "No such file or directory")]
    return [FileRead(path, text) for path, text in TEXTS.items() if path.count("/") == want.pattern.count("/")]


@pytest.mark.parametrize("name", sorted(PARSERS))
def test_only_commands_of_the_list_are_asked_for(name: str) -> None:
    asked = {want.argv for want in wanted(PARSERS[name]) if isinstance(want, Command)}
    assert asked <= ALLOWED[name], "a command that is not in the list"
    assert asked == ALLOWED[name], "a command of the list that nobody asks for"


@pytest.mark.parametrize("name", sorted(PARSERS))
def test_only_the_parser_s_own_program_is_run_and_by_its_bare_name(name: str) -> None:
    parser = PARSERS[name]
    for want in wanted(parser):
        if isinstance(want, Command):
            assert want.argv[0] in {parser.program, *REPORTS.get(name, ())}
            assert "/" not in want.argv[0]


def test_what_costs_its_host_something_is_run_seldom() -> None:
    commands = [want for parser in PARSERS.values() for want in wanted(parser) if isinstance(want, Command)]
    assert {want.argv[0] for want in commands if want.seldom is not None} == {"lvs"}
    assert all(want.seldom for want in commands if want.argv[0] == "lvs")


@pytest.mark.parametrize("name", sorted(PARSERS))
def test_only_status_files_of_the_kernel_are_read(name: str) -> None:
    for want in wanted(PARSERS[name]):
        path = want.path if isinstance(want, File) else want.pattern if isinstance(want, Files) else "/proc/"
        assert path.startswith(("/proc/", "/sys/"))
        assert ".." not in path
        assert "**" not in path


def test_every_storage_system_of_ours_is_held_by_the_list() -> None:
    assert set(ALLOWED) == {"zfs", "md", "btrfs", "dm-raid"}
    assert set(ALLOWED) <= set(PARSERS)


def test_nothing_in_the_list_changes_a_host_or_tells_what_people_named_or_typed() -> None:
    for commands in ALLOWED.values():
        for argv in commands:
            assert not {"-v", "-vv", "history", "events", "clear", "-f", "--force"} & set(argv)
            assert {"status", "stats", "show", "usage", "table", "list"} & set(argv) or argv[0] == "lvs"
