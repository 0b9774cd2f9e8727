"""A redacted recording tells the same of arrays, and nothing of whose they are."""

import json
import re

import pytest

from mendwatch.model.capture import Capture, CommandRead, DriveFacts, FileRead
from mendwatch.sources.recording import Header
from mendwatch.sources.redact import Redactor
from support.redacted_polls import said
from support.redacting import KEY, NOON, command, redacted


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


@pytest.mark.parametrize("by", [("zpool",), ("/sbin/zpool",), ("sudo", "zpool")])
def test_typed_commands_and_events_are_left_out(by: tuple[str, ...]) -> None:
    (hidden,) = redacted(command("2026-01-01 zpool create ledger\n", *by, "history", "ab"))
    (read,) = hidden.commands()
    assert (read.stdout, read.argv[:-1]) == ("", (*by, "history"))
    assert read.argv[-1] != "ab"


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
