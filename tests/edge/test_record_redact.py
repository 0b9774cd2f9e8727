"""A redacted recording tells the same of arrays, and nothing of whose they are."""

import json
import re
from datetime import UTC, datetime
from itertools import product
from string import ascii_lowercase
from time import process_time

import pytest

from mendwatch.model.capture import Capture, CommandRead, DiskCounters, DriveFacts, FileRead
from mendwatch.sources import registry
from mendwatch.sources.recording import Header
from mendwatch.sources.redact import Redactor
from support.redacted_polls import left, said, unlike

KEY = b"a key of the test's own"
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def redacted(*captures: Capture, host: str | None = "store-1.example.org") -> list[Capture]:
    redactor = Redactor(KEY, host)
    return [redactor.capture(capture) for capture in captures]


def command(stdout: str, *argv: str, stderr: str = "") -> Capture:
    return Capture(NOON, "zfs", (CommandRead(argv or ("zpool", "status"), 0, stdout, stderr),))


def same_but_for_names(capture: Capture, host: str | None = None) -> Capture:
    """Redact a poll and hold what is understood of it against what was understood before."""
    parser = registry.load().parsers[capture.source]
    redactor = Redactor(KEY, host)
    hidden = redactor.capture(capture)
    before = parser.parse(capture)
    assert before.arrays
    assert before.error is None
    assert unlike(before, parser.parse(hidden), redactor.name) == []
    return hidden


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


def pool_text(pool: str, *rows: str, state: str = "ONLINE") -> str:
    """``zpool status`` as zpool_main.c prints it: names padded by bytes to the widest."""
    names = [pool, *rows]
    width = max(len(name.encode()) for name in names)
    table = "".join(f"\t{name}{' ' * (width - len(name.encode()))}  {state}       0     0     0\n" for name in names)
    return (
        f"  pool: {pool}\n state: {state}\n  scan: none requested\nconfig:\n\n"
        f"\tNAME{' ' * (width - 4)}  STATE     READ WRITE CKSUM\n{table}\nerrors: No known data errors\n"
    )


@pytest.mark.parametrize(
    "pool", ["online", "ONLINE", "data", "raid1", "errors", "a", "cold store: two", "x.y_z-1", "pool", "state", "No"]
)
def test_a_pool_of_any_name_is_hidden_where_names_stand(pool: str) -> None:
    text = pool_text(pool, "  mirror-0", "    sda", "    /files/my disk ONLINE", "    caf\u00e9-1", "    A")
    zpool = ("zpool", "status", pool)
    capture = Capture(
        NOON,
        "zfs",
        (
            CommandRead(zpool, 0, text, f"cannot open '{pool}': pool I/O is currently suspended\n"),
            FileRead(f"/proc/spl/kstat/zfs/{pool}/state", "ONLINE\n"),
            FileRead(f"/proc/spl/kstat/zfs/{pool}/guid", error=f"no pool '{pool}' here"),
        ),
        links={"caf\u00e9-1": ("sdb",), "A": ("cciss/c0d0",)},
    )
    hidden = same_but_for_names(capture)
    first, second = hidden.commands()[0], hidden.files()[1]
    new = first.argv[2]
    assert new != pool
    assert first.stderr == f"cannot open '{new}': pool I/O is currently suspended\n"
    assert second.error == f"no pool '{new}' here"
    assert second.path == f"/proc/spl/kstat/zfs/{new}/guid"
    assert hidden.links.keys().isdisjoint(capture.links)
    assert list(hidden.links.values()) == [("sdb",), ("cciss/c0d0",)]
    assert "caf" not in said(hidden)
    assert "my disk" not in said(hidden)


def test_as_many_one_letter_names_as_there_are_stay_apart() -> None:
    text = pool_text("tank", *(f"  {letter}" for letter in (*ascii_lowercase, *ascii_lowercase.upper())))
    hidden = same_but_for_names(command(text))
    (pool,) = registry.load().parsers["zfs"].parse(hidden).arrays
    assert len({member.name for member in pool.members}) == 52
    redactor = Redactor(KEY, None)
    names = [*ascii_lowercase, *map("".join, product("abcdefgh", "abcdefgh"))]
    assert len({redactor.name(name) for name in names}) == len(names)


def test_a_missing_drive_s_link_is_hidden_with_its_serial_number() -> None:
    was = "/dev/disk/by-id/ata-EXAMPLE_8000GB_ACME-77X-part1"
    number = "9703177860737789123"
    text = pool_text("ledger", "  mirror-0", "    sda", f"    {number}").replace(
        f"{number}  ONLINE       0     0     0", f"{number}  UNAVAIL      0     0     0  was {was}"
    )
    capture = Capture(
        NOON,
        "zfs",
        (CommandRead(("zpool", "status"), 0, text, "ACME-77X, acme-77x, wwn-0x5000C500A1B2C3D4: gone"),),
        drives={"sda": DriveFacts(model="EXAMPLE 8000GB", serial="OTHER-1")},
    )
    told = said(same_but_for_names(capture))
    assert "was /dev/disk/by-id/ata-EXAMPLE_8000GB_" in told, "a model tells nothing"
    for secret in ("ACME-77X", number, "5000c500a1b2c3d4", "ledger", "OTHER-1"):
        assert not left(told, secret)


def test_names_are_found_in_every_spelling() -> None:
    heard = (
        "COLD STORE, cold%20store, cold\\040store, Store; 5000c500a1b2c3d4 naa.5000c500a1b2c3d4 "
        "35000C500A1B2C3D4 070DD263-578F-AC94-BC64-B76FFEE6FE27 070dd263:578fac94:bc64b76f:fee6fe27"
    )
    capture = Capture(
        NOON,
        "zfs",
        (CommandRead(("zpool", "status", "cold store"), 1, pool_text("cold store", "  sda"), heard),),
        links={"wwn-0x5000c500a1b2c3d4": ("sda",)},
    )
    (hidden,) = redacted(capture)
    told = said(hidden)
    for secret in ("cold store", "cold", "store", "5000c500a1b2c3d4", "070dd263-578f-ac94-bc64-b76ffee6fe27"):
        assert not left(told, secret)
    (wwn,) = hidden.links
    words = hidden.commands()[0].stderr.split()
    new = wwn.removeprefix("wwn-0x")
    assert new in words
    assert f"naa.{new}" in words
    assert f"3{new.upper()}" in words
    assert words[-2].replace("-", "").lower() == words[-1].replace(":", "")


def test_names_beyond_ascii_keep_their_width() -> None:
    """JSON may write them as escapes; the tables are padded by bytes."""
    label, mount = "Fotos \u00c4rger \u5e93", "/srv/Fotos\\040\u00c4rger"
    place = "/sys/fs/btrfs/2b1d5f6a-4c3e-4f5a-8b7c-9d0e1f2a3b4c/label"
    capture = Capture(
        NOON,
        "btrfs",
        (
            FileRead(place, f"{label}\n"),
            FileRead("/proc/self/mountinfo", f"41 21 0:40 / {mount} rw - btrfs /dev/sdb rw,subvol=/\n"),
            CommandRead(
                ("btrfs", "--format", "json", "device", "stats", "/srv/Fotos \u00c4rger"),
                0,
                json.dumps({"label": label, "name": "caf\u00e9"}),
                "caf\u00e9 \U0001f5c4",
            ),
        ),
    )
    (hidden,) = redacted(capture, host="caf\u00e9")
    told = hidden.commands()[0]
    new = (hidden.files()[0].text or "").strip()
    inside = json.loads(told.stdout)
    assert inside["label"] == new
    assert told.stderr.split()[0] == inside["name"]
    assert [len(one.encode()) for one in new] == [len(one.encode()) for one in label]
    assert told.stdout.isascii(), "escapes stay escapes"
    for secret in ("Fotos", "\u00c4rger", "\u5e93", "caf\u00e9", "rger", "caf"):
        assert not left(said(hidden), secret)


def test_a_volume_may_be_called_like_a_kind_of_array() -> None:
    status = (
        "raid1-mirror: 0 491520 raid raid1 2 AA 491520/491520 idle 0 0 -\n"
        "my--vg-part--1: 0 491520 raid raid1 2 AA 491520/491520 idle 0 0 -\n"
    )
    rows = [{"lv_name": "mirror", "vg_name": "raid1"}, {"lv_name": "part-1", "vg_name": "my-vg"}]
    report = json.dumps({"report": [{"lv": [{**row, "segtype": "raid1", "lv_attr": "rwi-a-r---"} for row in rows]}]})
    capture = Capture(
        NOON,
        "dm-raid",
        (
            CommandRead(("dmsetup", "status", "--target", "raid", "--noflush"), 0, status),
            CommandRead(("lvs", "-a", "--reportformat", "json"), 0, report),
        ),
    )
    hidden = same_but_for_names(capture)
    told = json.loads(hidden.commands()[1].stdout)["report"][0]["lv"]
    assert {row["segtype"] for row in told} == {"raid1"}
    assert "raid1" not in {row["vg_name"] for row in told}
    assert "mirror" not in {row["lv_name"] for row in told}
    assert not left(said(hidden), "my-vg")


def test_a_table_of_volumes_is_hidden_by_its_headings() -> None:
    table = (
        "  VG    LV            Attr       Devices\n"
        "  books ab            rwi-a-r--- ab_rimage_0(0)\n"
        "  books [ab_rimage_0] iwi-aor--- /dev/vda(1)\n"
    )
    lvs = CommandRead(("/sbin/lvs", "-a", "books/ab"), 5, table, 'Volume group "ab" is gone')
    (hidden,) = redacted(Capture(NOON, "dm-raid", (lvs,)))
    (read,) = hidden.commands()
    found = re.fullmatch(
        r"  VG    LV            Attr       Devices\n  (\w{5}) (\w\w)            rwi-a-r--- \2_rimage_0\(0\)\n"
        r"  \1 \[\2_rimage_0\] iwi-aor--- /dev/vda\(1\)\n",
        read.stdout,
    )
    assert found is not None
    assert "books" not in said(hidden)
    assert found[2] != "ab"
    assert read.argv == ("/sbin/lvs", "-a", f"{found[1]}/{found[2]}")
    assert read.stderr == f'Volume group "{found[2]}" is gone'


def test_what_a_plug_in_prints_is_hidden_by_its_keys() -> None:
    """The keys are the published ones of an observation."""
    one: dict[str, object] = {
        "name": "vg",
        "id": "BOX-7",
        "id_kind": "name",
        "level": "mirror",
        "state": "online",
        "aliases": ["ve", "/srv/Ann"],
        "notes": ["BOX-7 in Ann's cellar lost BAY-3"],
        "members": [{"name": "BAY-3", "group": "mirror-0", "state": "ok", "drive": "sdb"}],
    }
    tool = CommandRead(("/home/Ann/bin/shelf-tool",), 0, json.dumps({"arrays": [one]}))
    (hidden,) = redacted(Capture(NOON, "shelf", (tool,)))
    (told,) = json.loads(hidden.commands()[0].stdout)["arrays"]
    (member,) = told["members"]
    owner = told["aliases"][1].removeprefix("/srv/")
    assert [told[key] for key in ("id_kind", "level", "state")] == ["name", "mirror", "online"]
    assert (member["state"], member["drive"]) == ("ok", "sdb")
    assert told["notes"] == [f"{told['id']} in {owner}'s cellar lost {member['name']}"]
    assert not {"vg", "BOX-7", "ve", "BAY-3"} & {told["name"], told["id"], *told["aliases"], member["name"]}
    assert hidden.commands()[0].argv == (f"/home/{owner}/bin/shelf-tool",)
    assert owner != "Ann"


def test_identifiers_of_nothing_stay_nothing() -> None:
    none = "00000000-0000-0000-0000-000000000000"
    (hidden,) = redacted(Capture(NOON, "md", (FileRead("/sys/block/md0/md/uuid", f"{none}\n"),)))
    assert hidden.file("/sys/block/md0/md/uuid") == f"{none}\n"


def test_a_guid_stays_one_of_sixty_four_bits() -> None:
    names = [str(2**64 - number) for number in range(1, 200)]
    assert all(int(Redactor(bytes([at]), None).name(name)) < 2**64 for at, name in enumerate(names))


def test_names_of_md_s_own_devices_are_hidden_and_kernel_names_stay() -> None:
    capture = Capture(
        NOON,
        "md",
        (
            FileRead("/proc/mdstat", "md_attic : active raid1 sdb1[1] cciss/c0d0p1[0]\n"),
            FileRead("/sys/block/md_attic/md/level", "raid1\n"),
        ),
        links={"sdb1": ("sdb",), "cciss/c0d0p1": ("cciss/c0d0",)},
        drives={"cciss/c0d0": DriveFacts(serial="EX-1")},
        array_devices={"md_attic": DiskCounters()},
    )
    (hidden,) = redacted(capture)
    (device,) = hidden.array_devices
    assert re.fullmatch(r"md_[a-z]{5}", device)
    assert device != "md_attic"
    assert hidden.file("/proc/mdstat") == f"{device} : active raid1 sdb1[1] cciss/c0d0p1[0]\n"
    assert hidden.file(f"/sys/block/{device}/md/level") == "raid1\n"
    assert hidden.links == {"sdb1": ("sdb",), "cciss/c0d0p1": ("cciss/c0d0",)}
    assert list(hidden.drives) == ["cciss/c0d0"]


def test_the_time_to_hide_a_pool_grows_with_its_drives_only() -> None:
    """Four times the drives: four times the time, sixteen if every name were sought in every line."""

    def spent_s(drives: int) -> float:
        leaves = [f"    ata-EXAMPLE_8000GB_S{number:05}XK-part1" for number in range(drives)]
        text = pool_text("ledger", f"  draid2:8d:{drives}c:0s-0", *leaves)
        links: dict[str, tuple[str, ...]] = {leaf.strip(): ("sda",) for leaf in leaves}
        began = process_time()
        redacted(Capture(NOON, "zfs", (CommandRead(("zpool", "status"), 0, text),), links=links))
        return process_time() - began

    assert min(spent_s(1200) for _ in range(2)) < 9 * max(spent_s(300) for _ in range(2))
