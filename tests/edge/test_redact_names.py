"""Names of every kind are hidden in every place and spelling, and the text still says the same."""

import json
import re
from itertools import product
from string import ascii_lowercase
from time import process_time

import pytest

from mendwatch.model.capture import Capture, CommandRead, DiskCounters, DriveFacts, FileRead
from mendwatch.sources import registry
from mendwatch.sources.redact import Redactor
from support.redacted_polls import left, said
from support.redacting import KEY, NOON, command, pool_text, redacted, same_but_for_names


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
