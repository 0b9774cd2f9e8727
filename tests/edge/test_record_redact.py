"""A redacted recording tells the same of arrays, and nothing of whose they are."""

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from mendwatch.model.capture import Capture, CommandRead, DriveFacts, FileRead
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Observation
from mendwatch.sources import registry
from mendwatch.sources.recording import Header, capture_to_json, read_recording
from mendwatch.sources.redact import Redactor

REAL = sorted((Path(__file__).parent.parent / "recordings").glob("*.jsonl.gz"))
KEY = b"a key of the test's own"
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)

# What the tools of each system print as names, found here without the code under test.
NAMES = re.compile(
    r"^\s*pool: (\S+)$|\b((?:virtio|ata|wwn|scsi)-[\w.-]+?)(?:-part\d+)?(?=[\s\"])|Label: '([^']+)'"
    r"|\b([0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})\b|guid\": ?\"?(\d+)|\"(?:lv|vg)_name\": ?\"\[?([^\"\]]{3,})\]?\""
    r"|\b(LVM-\w{64})|(/mnt/[\w-]+)",
    re.MULTILINE,
)


def texts(capture: Capture) -> Iterator[str]:
    for read in capture.reads:
        if isinstance(read, CommandRead):
            yield from (read.stdout, read.stderr, read.error or "", *read.argv)
        else:
            yield from (read.text or "", read.error or "", read.path)


def redacted(*captures: Capture, host: str | None = "store-1.example.org") -> list[Capture]:
    redactor = Redactor(KEY, host)
    return [redactor.capture(capture) for capture in captures]


def command(stdout: str, *argv: str, stderr: str = "") -> Capture:
    return Capture(NOON, "zfs", (CommandRead(argv or ("zpool", "status"), 0, stdout, stderr),))


def said(capture: Capture) -> str:
    return json.dumps(capture_to_json(capture), ensure_ascii=False)


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name.removesuffix(".jsonl.gz"))
def test_no_name_of_a_real_capture_is_left(path: Path) -> None:
    recording = read_recording(path)
    redactor = Redactor(KEY, recording.header.host)
    secrets: set[str] = set()
    seen = 0
    for line in recording.lines:
        assert isinstance(line, Capture)
        seen += 1
        if seen % 4 != 1:
            continue
        for text in texts(line):
            secrets |= {group for match in NAMES.finditer(text) for group in match.groups() if group}
        secrets |= {facts.serial for facts in line.drives.values() if facts.serial}
        secrets |= {name for name in line.links if "-" in name}
        told = said(redactor.capture(line))
        for secret in secrets:
            if len(secret) > 2:
                assert not re.search(rf"(?<![^\W_]){re.escape(secret)}(?![^\W_])", told), secret
    assert secrets


def shape(seen: Observation) -> object:
    """All that an observation says, but for names; which names are the same is kept by numbering them."""
    number: dict[str, int] = {}

    def same(name: str | None) -> int | None:
        return None if name is None else number.setdefault(name, len(number))

    return [
        [
            replace(
                array,
                name="",
                aliases=tuple("" for _ in array.aliases),
                id="",
                members=(),
                activities=None,
                notes=(),
                device=None,
            ),
            [
                (
                    same(member.name),
                    member.group if member.group and member.group[-1:].isdigit() else None,
                    replace(member, name="", group=None, drive=None),
                    member.drive,
                )
                for member in array.members
            ],
            [
                (
                    replace(activity, fills=(), counters={}),
                    sorted(map(str, map(same, activity.fills))),
                    sorted(activity.counters.values()),
                )
                for activity in array.activities or ()
            ],
        ]
        for array in sorted(seen.arrays, key=lambda array: (array.level or "", array.state, len(array.members)))
    ] + [len(seen.unread), seen.error is None, seen.complete]


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name.removesuffix(".jsonl.gz"))
def test_a_redacted_capture_parses_to_the_same_shape(path: Path) -> None:
    recording = read_recording(path)
    redactor = Redactor(KEY, recording.header.host)
    parsers = registry.load().parsers
    for number, line in enumerate(recording.lines):
        assert isinstance(line, Capture)
        hidden = redactor.capture(line)
        if number % 3:
            continue
        parser = parsers[line.source]
        try:
            before = parser.parse(line)
        except ParseError:
            with pytest.raises(ParseError):
                parser.parse(hidden)
            continue
        assert shape(parser.parse(hidden)) == shape(before)


def skeleton(text: str) -> str:
    """A text with every letter and digit made alike: what a table's columns and a line's shape depend on."""
    return re.sub(r"[0-9]", "0", re.sub(r"[A-Z]", "A", re.sub(r"[a-z]", "a", text)))


STAND_INS = (
    "<missing disk>",
    "[unknown]",
    "No known data errors",
    "replacing-",
    "mirror-",
    "raidz1-",
    "draid1",
    "spares",
)


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name.removesuffix(".jsonl.gz"))
def test_columns_and_the_tools_own_words_stay(path: Path) -> None:
    recording = read_recording(path)
    redactor = Redactor(KEY, recording.header.host)
    for number, line in enumerate(recording.lines):
        assert isinstance(line, Capture)
        if number % 4:
            continue
        for before, after in zip(texts(line), texts(redactor.capture(line)), strict=True):
            if after:  # what people typed is left out whole
                assert skeleton(after) == skeleton(before)
                assert [after.count(word) for word in STAND_INS] == [before.count(word) for word in STAND_INS]


def test_the_same_name_is_the_same_everywhere_and_in_every_poll() -> None:
    first = Capture(
        NOON,
        "zfs",
        (
            CommandRead(
                ("zpool", "status", "-v", "ledger"),
                1,
                "  pool: ledger\n state: ONLINE\n",
                "cannot open 'ledger': Permission denied\n",
            ),
            FileRead("/proc/spl/kstat/zfs/ledger/state", "ONLINE\n"),
        ),
        links={"ata-EXAMPLE_ACME77-part1": ("sda",)},
        drives={"sda": DriveFacts(model="EXAMPLE", serial="ACME77")},
    )
    second = command("", "zpool", "status", "ledger", stderr="ledger and ata-EXAMPLE_ACME77 and ACME77 are gone")
    one, two = redacted(first, second)
    (read,) = one.commands()
    pool = read.argv[3]
    assert pool != "ledger"
    assert read.stdout == f"  pool: {pool}\n state: ONLINE\n"
    assert read.stderr == f"cannot open '{pool}': Permission denied\n"
    assert one.files()[0].path == f"/proc/spl/kstat/zfs/{pool}/state"
    serial = one.drives["sda"].serial
    assert serial is not None
    assert serial != "ACME77"
    assert one.links == {f"ata-EXAMPLE_{serial}-part1": ("sda",)}
    assert one.drives["sda"].model == "EXAMPLE"
    assert two.commands()[0].stderr == f"{pool} and ata-EXAMPLE_{serial} and {serial} are gone"


def test_a_pool_that_is_called_like_a_word_of_the_tool_leaves_the_text_readable() -> None:
    table = (
        "  pool: data\n state: ONLINE\n  scan: none requested\nconfig:\n\n"
        "\tNAME        STATE     READ WRITE CKSUM\n"
        "\tdata        ONLINE       0     0     0\n"
        "\t  mirror-0  ONLINE       0     0     0\n"
        "\t    sda     ONLINE       0     0     0\n"
        "\t    sdb     ONLINE       0     0     0\n\n"
        "errors: No known data errors\n"
    )
    (hidden,) = redacted(command(table))
    text = hidden.commands()[0].stdout
    pool = re.findall(r"pool: (\w{4})$", text, re.MULTILINE)[0]
    assert pool != "data"
    assert text == table.replace("pool: data", f"pool: {pool}").replace("\tdata ", f"\t{pool} ")


def test_file_names_of_an_error_list_are_hidden_whole() -> None:
    listed = (
        "errors: Permanent errors have been detected in the following files:\n\n"
        "        /ledger/staff/pay rise for Ann.ods\n        ledger/staff:<0x4d>\n"
    )
    (hidden,) = redacted(command("  pool: ledger\n" + listed))
    text = said(hidden)
    for word in ("ledger", "staff", "pay", "rise", "Ann", "ods"):
        assert not re.search(rf"\b{word}\b", text), word
    assert "<0x4d>" in text


def test_typed_commands_and_events_are_left_out() -> None:
    (hidden,) = redacted(command("2026-01-01 zpool create ledger\n", "zpool", "history", "ledger"))
    assert hidden.commands()[0].stdout == ""


def test_mounts_of_others_are_left_out_and_ours_renamed() -> None:
    table = (
        "21 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw\n"
        "40 21 0:35 / /home/ann rw - nfs4 files.example.org:/ann rw,addr=192.0.2.7\n"
        "41 21 0:40 /@books /srv/My\\040Books rw,noatime shared:9 - btrfs /dev/sdb rw,space_cache=v2,subvol=/@books\n"
    )
    capture = Capture(
        NOON,
        "btrfs",
        (
            FileRead("/proc/self/mountinfo", table),
            CommandRead(("btrfs", "replace", "status", "-1", "/srv/My Books"), 0, "Never started\n"),
        ),
    )
    (hidden,) = redacted(capture)
    (line,) = (hidden.file("/proc/self/mountinfo") or "").splitlines()
    fields = line.split(" ")
    assert (len(fields), fields[:3], fields[-3:-1]) == (11, ["41", "21", "0:40"], ["btrfs", "/dev/sdb"])
    mount = fields[4].replace("\\040", " ")
    assert hidden.commands()[0].argv == ("btrfs", "replace", "status", "-1", mount)
    assert re.fullmatch(r"/srv/[A-Z][a-z] [A-Z][a-z]{4}", mount)
    assert "Books" not in said(hidden)
    assert "books" not in said(hidden)


def test_an_array_s_identifier_is_the_same_however_it_is_written() -> None:
    plain, colons = "070dd263-578f-ac94-bc64-b76ffee6fe27", "070dd263:578fac94:bc64b76f:fee6fe27"
    capture = Capture(
        NOON,
        "md",
        (
            FileRead("/sys/block/md0/md/uuid", f"{plain}\n"),
            CommandRead(("mdadm", "--detail", "/dev/md0"), 0, f"   Name : store-1:0\n   UUID : {colons}\n"),
        ),
    )
    (hidden,) = redacted(capture)
    new = (hidden.file("/sys/block/md0/md/uuid") or "").strip()
    assert re.fullmatch(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", new)
    assert new != plain
    detail = hidden.commands()[0].stdout
    assert detail.split("UUID : ")[1].strip().replace(":", "") == new.replace("-", "")
    assert "store" not in detail


def test_volumes_keep_the_parts_of_their_names_that_the_tools_add() -> None:
    group, volume = "C4i2fIHUWh7eJxlnjXFx44Zk7S5xK5KV", "L4jBcUiZgeq3fcOrus5TYGmoe6HKFbcO"
    short = "-".join((volume[:6], *(volume[at : at + 4] for at in range(6, 26, 4)), volume[26:]))
    status = "books-mir: 0 491520 raid raid1 2 aa 81408/491520 resync 0 0 -\nbooks-mir_rimage_0: 0 491520 linear \n"
    report = f'{{"lv_name":"[mir_rimage_0]", "vg_name":"books", "devices":"/dev/vda(1)", "lv_uuid":"{short}"}}'
    capture = Capture(
        NOON,
        "dm-raid",
        (
            CommandRead(("dmsetup", "status", "--target", "raid"), 0, status),
            CommandRead(("lvs", "--reportformat", "json"), 0, report),
            FileRead("/sys/block/dm-4/dm/name", "books-mir\n"),
            FileRead("/sys/block/dm-4/dm/uuid", f"LVM-{group}{volume}\n"),
        ),
    )
    (hidden,) = redacted(capture)
    first, second = hidden.commands()
    assert first.argv == ("dmsetup", "status", "--target", "raid")
    found = re.fullmatch(
        r"(\w{5})-(\w{3}): 0 491520 raid raid1 2 aa 81408/491520 resync 0 0 -\n\1-\2_rimage_0: 0 491520 linear \n",
        first.stdout,
    )
    assert found is not None
    told = json.loads(second.stdout)
    assert (told["lv_name"], told["vg_name"], told["devices"]) == (
        f"[{found[2]}_rimage_0]",
        found[1],
        "/dev/vda(1)",
    )
    assert hidden.file("/sys/block/dm-4/dm/name") == f"{found[1]}-{found[2]}\n"
    long = (hidden.file("/sys/block/dm-4/dm/uuid") or "").strip()
    assert re.fullmatch(r"LVM-\w{64}", long)
    assert long[-32:] == told["lv_uuid"].replace("-", "")
    assert volume not in said(hidden)


def test_the_host_is_hidden_in_the_header_and_in_every_text() -> None:
    redactor = Redactor(KEY, "store-1.example.org")
    header = redactor.header(Header("store-1.example.org", "UTC", "Ann's server in the cellar"))
    assert header.host != "store-1.example.org"
    assert re.fullmatch(r"[a-z]{5}-1\.[a-z]{7}\.[a-z]{3}", str(header.host))
    assert (header.timezone, header.note) == ("UTC", None)
    hidden = redactor.capture(command("", "zpool", "status", stderr="store-1: pool last used by store-1.example.org"))
    assert "store" not in said(hidden)


def test_another_key_gives_other_names() -> None:
    assert Redactor(b"one", None).name("ledger") != Redactor(b"two", None).name("ledger")


def test_two_names_never_become_one() -> None:
    redactor = Redactor(KEY, None)
    names = [f"{first}{second}" for first in "abcdefghijklm" for second in "nopqrstuvwxyz"]
    assert len({redactor.name(name) for name in names}) == len(names)
