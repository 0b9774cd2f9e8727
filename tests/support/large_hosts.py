"""Hosts of any size, composed from the grammars: what the agent would read on a server with very many drives.

Sources of the grammars: OpenZFS's cmd/zpool/zpool_main.c (text and JSON), md_seq_show in the kernel's md.c,
fs/btrfs/sysfs.c and the manual pages of btrfs-progs, dm-raid.rst and lvs(8). Every host has something being rebuilt.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.parsers.dm_raid import REPORT, STATUS, TABLE
from mendwatch.parsers.md import ARRAY_FILES, MEMBER_FILES
from mendwatch.parsers.zfs import JSON_STATUS, TEXT_STATUS

AT = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)
# Of each dozen drives eleven are a raidz2 and one is a spare; the first group holds one that is being replaced.
DOZEN = 12
LEGS = 6
SIZE_BYTES = 16 * 10**12
MD_ARRAY = {
    "array_state": "active",
    "chunk_size": "524288",
    "component_size": "15624868864",
    "degraded": "1",
    "last_sync_action": "recover",
    "layout": "2",
    "level": "raid6",
    "metadata_version": "1.2",
    "mismatch_cnt": "0",
    "raid_disks": "6",
    "reshape_position": "none",
    "resync_start": "none",
    "sync_action": "recover",
    "sync_completed": "2000000000 / 31249737728",
    "sync_max": "max",
    "sync_speed": "120000",
    "sync_speed_max": "200000 (system)",
    "sync_speed_min": "1000 (system)",
}


def zfs_text(drives: int) -> Capture:
    """One pool, as ``zpool status -p`` prints it."""
    rows: list[str] = []
    for group in range(drives // DOZEN):
        state = "ONLINE" if group else "DEGRADED"
        rows.append(_row(2, f"raidz2-{group}", state))
        rows += [_row(4, f"dsk-{group:03}-{slot:02}", "ONLINE") for slot in range(DOZEN - (1 if group else 3))]
        if not group:
            rows += [_row(4, "replacing-9", "DEGRADED"), _row(6, "dsk-000-09", "FAULTED", "  too many errors")]
            rows.append(_row(6, "dsk-000-10", "ONLINE", "  (resilvering)"))
    rows.append("\tspares")
    rows += [f"\t  {f'spare-{group:03}':<28}AVAIL   " for group in range(drives // DOZEN)]
    lines = [
        "  pool: vault",
        " state: DEGRADED",
        "status: One or more devices is currently being resilvered.  The pool will",
        "\tcontinue to function, possibly in a degraded state.",
        "action: Wait for the resilver to complete.",
        "  scan: resilver in progress since Mon Mar  2 08:15:09 2026",
        "\t3.02T / 6.40T scanned at 402M/s, 1.60T / 6.40T issued at 212M/s",
        "\t150G resilvered, 25.00% done, 06:35:12 to go",
        "config:",
        "",
        f"\t{'NAME':<30}{'STATE':<9} READ WRITE CKSUM",
        _row(0, "vault", "DEGRADED"),
        *rows,
        "",
        "errors: No known data errors",
        "",
    ]
    return Capture(AT, "zfs", (CommandRead(TEXT_STATUS, 0, "\n".join(lines)),))


def _row(depth: int, name: str, state: str, notes: str = "") -> str:
    return f"\t{' ' * depth + name:<30}{state:<8}     0     0     0{notes}"


def zfs_json(drives: int) -> Capture:
    """The same pool, as ``zpool status -j --json-int`` prints it."""
    groups: dict[str, Any] = {}
    for group in range(drives // DOZEN):
        names = [f"dsk-{group:03}-{slot:02}" for slot in range(DOZEN - (1 if group else 3))]
        children = {name: _vdev(name, "disk") for name in names}
        if not group:
            sides = {"dsk-000-09": _vdev("dsk-000-09", "disk", "FAULTED")}
            sides["dsk-000-10"] = {**_vdev("dsk-000-10", "disk"), "scan_processed": 161061273600}
            children["replacing-9"] = {**_vdev("replacing-9", "replacing", "DEGRADED"), "vdevs": sides}
        state = "ONLINE" if group else "DEGRADED"
        groups[f"raidz2-{group}"] = {**_vdev(f"raidz2-{group}", "raidz", state), "vdevs": children}
    scan = {
        "function": "RESILVER",
        "state": "SCANNING",
        "start_time": 1772439309,
        "end_time": 0,
        "to_examine": 7036874417766,
        "examined": 3320525116702,
        "skipped": 0,
        "processed": 161061273600,
        "errors": 0,
        "bytes_per_scan": 3320525116702,
        "pass_start": 1772439309,
        "scrub_pause": 0,
        "scrub_spent_paused": 0,
        "issued_bytes_per_scan": 1759218604441,
        "issued": 1759218604441,
    }
    pool = {
        "name": "vault",
        "state": "DEGRADED",
        "pool_guid": 7301442119850362217,
        "txg": 253,
        "spa_version": 5000,
        "zpl_version": 5,
        "status": "One or more devices is currently being resilvered.",
        "action": "Wait for the resilver to complete.",
        "scan_stats": scan,
        "vdevs": {"vault": {**_vdev("vault", "root", "DEGRADED"), "vdevs": groups}},
        "spares": {f"spare-{n:03}": _vdev(f"spare-{n:03}", "disk", "AVAIL") for n in range(drives // DOZEN)},
        "error_count": 0,
    }
    version = {"command": "zpool status", "vers_major": 0, "vers_minor": 1}
    text = json.dumps({"output_version": version, "pools": {"vault": pool}}, separators=(",", ":"))
    return Capture(AT, "zfs", (CommandRead(JSON_STATUS, 0, text + "\n"),))


def _vdev(name: str, kind: str, state: str = "ONLINE") -> dict[str, Any]:
    leaf = {"path": f"/dev/disk/by-id/{name}-part1", "phys_space": SIZE_BYTES, "slow_ios": 0} if kind == "disk" else {}
    counts = dict.fromkeys(("read_errors", "write_errors", "checksum_errors"), 0)
    guid = sum(ord(letter) << (3 * place) for place, letter in enumerate(name)) + 2**60
    return {
        "name": name,
        "vdev_type": kind,
        "guid": guid,
        "class": "normal",
        "state": state,
        "rep_dev_size": SIZE_BYTES,
        **counts,
        **leaf,
    }


def md(arrays: int) -> Capture:
    """Arrays of six drives, the first of which is being filled, with every file of sysfs that the agent reads."""
    lines = ["Personalities : [raid6] [raid5] [raid4] "]
    reads: list[Read] = []
    for array in range(arrays):
        word, count = ("[UUUUU_]", 5) if array == 0 else ("[UUUUUU]", 6)
        names = [f"sd{_letters(array * LEGS + slot)}1" for slot in range(LEGS)]
        listed = " ".join(f"{name}[{slot}]" for slot, name in enumerate(names))
        lines.append(f"md{array} : active raid6 {listed}")
        lines.append(f"      62499475456 blocks super 1.2 level 6, 512k chunk, algorithm 2 [{LEGS}/{count}] {word}")
        if array == 0:
            told = "(1000000000/15624868864) finish=2031.2min speed=120000K/sec"
            lines.append(f"      [=>...................]  recovery =  6.4% {told}")
        lines += ["      bitmap: 0/117 pages [0KB], 65536KB chunk", ""]
        reads += _md_files(array, names)
    lines.append("unused devices: <none>\n")
    limits = (
        FileRead(f"/proc/sys/dev/raid/speed_limit_{end}", text)
        for end, text in (("min", "1000\n"), ("max", "200000\n"))
    )
    # In the order in which the agent reads them: by file, each over all arrays.
    reads.sort(key=_place)
    return Capture(AT, "md", (FileRead("/proc/mdstat", "\n".join(lines)), *reads, *limits))


def _md_files(array: int, names: list[str]) -> list[Read]:
    folder = f"/sys/block/md{array}/md"
    idle = {"degraded": "0", "sync_action": "idle", "sync_completed": "none", "sync_speed": "none"} if array else {}
    files = {**MD_ARRAY, **idle, "uuid": str(UUID(int=array + 1))}
    found: list[Read] = [FileRead(f"{folder}/{name}", f"{files[name]}\n") for name in ARRAY_FILES]
    for slot, member in enumerate(names):
        filled = array == 0 and slot == LEGS - 1
        state, start = ("spare", "2000000000") if filled else ("in_sync", "none")
        told = {"errors": "0", "recovery_start": start, "size": "15624868864", "slot": str(slot), "state": state}
        found += [FileRead(f"{folder}/dev-{member}/{name}", f"{told[name]}\n") for name in MEMBER_FILES]
    return found


def _place(read: Read) -> str:
    assert isinstance(read, FileRead)
    return read.path.rpartition("/")[2]


def _letters(number: int) -> str:
    """Drive letters as the kernel gives them: a … z, aa …"""
    text = ""
    while number >= 0:
        text = chr(ord("a") + number % 26) + text
        number = number // 26 - 1
    return text


def btrfs(devices: int) -> Capture:
    """One filesystem of many devices, one of which is missing and is being replaced."""
    mount, uuid = "/srv/pool", str(UUID(int=1))
    size, held = SIZE_BYTES, SIZE_BYTES // 2
    paths = ["/dev/sd" + _letters(number) for number in range(devices - 1)]
    rows = [f"\tdevid {n:4} size {size} used {held} path {path}" for n, path in enumerate(paths, start=1)]
    rows.insert(0, f"\tdevid    0 size {size} used {held} path /dev/sdnew")
    rows.append(f"\tdevid {devices:4} size 0 used 0 path <missing disk> MISSING")
    show = [
        f"Label: 'pool'  uuid: {uuid}",
        f"\tTotal devices {devices + 1} FS bytes used {held * devices // 2}",
        *rows,
        "",
    ]
    counted = ["/dev/sdnew", *paths, "<missing disk>"]
    names = ("write_io_errs", "read_io_errs", "flush_io_errs", "corruption_errs", "generation_errs")
    stats = [f"[{path}].{name:<16} 0" for path in counted for name in names]
    usage = ["Overall:", f"    Device size:\t\t{size * devices}", f"    Device missing:\t\t{size}", ""]
    for kind, profile in (("Data", "RAID1"), ("Metadata", "RAID1C3"), ("System", "RAID1C3")):
        usage.append(f"{kind},{profile}: Size:{held * devices // 2}, Used:{held * devices // 4} (50.00%)")
        usage += [f"   {path}\t{held // 3}" for path in (*paths, "<missing disk>")] + [""]
    usage += ["Unallocated:", *(f"   {path}\t{held}" for path in counted), ""]
    numbered = [(0, "/dev/sdnew"), *enumerate(paths, start=1), (devices, "missing")]
    by_device = [line for devid, path in numbered for line in _btrfs_device(devid, path, size, held)]
    folder = f"/sys/fs/btrfs/{uuid}"
    files: list[Read] = [
        FileRead("/proc/self/mountinfo", f"30 1 0:30 / {mount} rw,relatime shared:1 - btrfs /dev/sda rw\n"),
        FileRead(f"{folder}/label", "pool\n"),
        FileRead(f"{folder}/exclusive_operation", "device replace\n"),
    ]
    for number in range(devices + 1):
        told = {
            "missing": int(number == devices),
            "in_fs_metadata": 1,
            "replace_target": int(number == 0),
            "writeable": 1,
        }
        files += [FileRead(f"{folder}/devinfo/{number}/{name}", f"{value}\n") for name, value in told.items()]
    answers = {
        ("replace", "status", "-1"): "12.5% done, 0 write errs, 0 uncorr. read errs\n",
        ("device", "stats"): "\n".join([*stats, ""]),
        ("filesystem", "show", "--raw"): "\n".join(show),
        ("filesystem", "usage", "-b"): "\n".join(usage),
        ("device", "usage", "-b"): "\n".join(by_device),
        ("scrub", "status"): f"UUID:             {uuid}\n\tno stats available\n",
    }
    commands = (CommandRead(("btrfs", *argv, mount), 0, text) for argv, text in answers.items())
    return Capture(AT, "btrfs", (*files, *commands))


def _btrfs_device(devid: int, path: str, size: int, held: int) -> list[str]:
    """A device's block in ``btrfs device usage``; the target of a replace holds no chunks of its own."""
    kinds = ("Data,RAID1", "Metadata,RAID1C3", "System,RAID1C3") if devid else ()
    chunks = [f"   {kind}:\t\t{held // 3}" for kind in kinds]
    return [
        f"{path}, ID: {devid}",
        f"   Device size:\t\t{size}",
        "   Device slack:\t\t0",
        *chunks,
        f"   Unallocated:\t\t{held}",
        "",
    ]


def dm_raid(volumes: int) -> Capture:
    """LVM volumes of six legs, the first of which is being filled, with the report that is made seldom."""
    status, table, rows = [], [], []
    files: list[Read] = []
    for volume in range(volumes):
        name = f"lv{volume}"
        health, ratio, action = (
            ("aAAAAA", "200000/31249737728", "recover")
            if volume == 0
            else ("AAAAAA", "31249737728/31249737728", "idle")
        )
        status.append(f"store-{name}: 0 124998950912 raid raid6_zr {LEGS} {health} {ratio} {action} 0 0 -")
        legs = " ".join(f"253:{2 * leg} 253:{2 * leg + 1}" for leg in range(LEGS))
        table.append(f"store-{name}: 0 124998950912 raid raid6_zr 3 128 region_size 32768 {LEGS} {legs}")
        listed = ",".join(f"{name}_rimage_{leg}(0)" for leg in range(LEGS))
        uuid = f"{volume:032}"
        dashed = f"{uuid[:6]}-" + "-".join(uuid[6 + 4 * n : 10 + 4 * n] for n in range(5)) + f"-{uuid[26:]}"
        rows.append(_lv(dashed, name, "raid6_zr", "rwi-aor---", listed, action))
        rows += [
            _lv(
                f"leg-{volume}-{leg}",
                f"[{name}_rimage_{leg}]",
                "linear",
                "iwi-aor---",
                f"/dev/sd{_letters(volume * LEGS + leg)}(1)",
            )
            for leg in range(LEGS)
        ]
        told = {"name": f"store-{name}", "uuid": f"LVM-{'g' * 32}{uuid}", "suspended": "0"}
        files += [FileRead(f"/sys/block/dm-{volume}/dm/{key}", f"{text}\n") for key, text in told.items()]
    commands = (
        CommandRead(STATUS, 0, "\n".join([*status, ""])),
        CommandRead(TABLE, 0, "\n".join([*table, ""])),
        CommandRead(REPORT, 0, json.dumps({"report": [{"lv": rows}], "log": []})),
    )
    return Capture(AT, "dm-raid", (*files, *commands))


def _lv(uuid: str, name: str, kind: str, attributes: str, devices: str, action: str = "") -> dict[str, str]:
    return {
        "lv_uuid": uuid,
        "vg_name": "store",
        "lv_name": name,
        "segtype": kind,
        "lv_attr": attributes,
        "lv_health_status": "",
        "sync_percent": "100.00" if action else "",
        "raid_sync_action": action,
        "raid_mismatch_count": "0" if action else "",
        "raid_min_recovery_rate": "",
        "raid_max_recovery_rate": "",
        "devices": devices,
    }
