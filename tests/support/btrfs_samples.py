"""btrfs outputs, composed from the sources of btrfs-progs 6.19 (cmds/*.c) and the kernel's fs/btrfs (6.12)."""

from datetime import UTC, datetime

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.observation import Activity, Array, Observation
from mendwatch.parsers.btrfs import PARSER

AT = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
UUID = "966d8497-dcf5-4a9c-b8b5-c2f7a7131a99"
MOUNT = "/srv/books"
MOUNTINFO = "/proc/self/mountinfo"
MOUNTED = FileRead(MOUNTINFO, f"41 21 0:40 / {MOUNT} rw,noatime shared:9 - btrfs /dev/sdb rw,subvol=/\n")
GIB = 1 << 30


def observe(*reads: Read, zone: str = "UTC", at: datetime = AT) -> Observation:
    return PARSER.parse(Capture(at, "btrfs", tuple(reads), zone=zone, links={"/dev/sdb": ("sdb",)}))


def only(*reads: Read) -> Array:
    seen = observe(*reads)
    assert (seen.error, seen.unread) == (None, ())
    (array,) = seen.arrays
    return array


def run(*words: str, stdout: str = "", code: int | None = 0, stderr: str = "", error: str | None = None) -> CommandRead:
    return CommandRead(("btrfs", *words, MOUNT), code, stdout, stderr, 0.1, error)


def replace(text: str) -> CommandRead:
    return run("replace", "status", "-1", stdout=f"{text}\n")


def show(*rows: str, total: int | None = None, label: str = "'books'", tail: str = "") -> CommandRead:
    lines = [f"Label: {label}  uuid: {UUID}", f"\tTotal devices {total or len(rows)} FS bytes used 1048576"]
    lines += [f"\tdevid    {row}" for row in rows]
    return run("filesystem", "show", "--raw", stdout="\n".join(lines) + f"\n{tail}\n")


TWO = ("1 size 4294967296 used 2147483648 path /dev/sdb", "2 size 4294967296 used 2147483648 path /dev/sdc")
LOST_ONE = (TWO[0], "2 size 0 used 0 path  MISSING")
FILLING = ("0 size 4294967296 used 2147483648 path /dev/sdd", *LOST_ONE)


def usage(*chunks: tuple[str, str, int, tuple[str, ...]], devices: tuple[str, ...] | None = None) -> CommandRead:
    """Chunks as kind, profile, bytes used and the devices that have a part of them; by itself it lists every device."""
    if devices is None:
        devices = tuple(dict.fromkeys(device for *_, held in chunks for device in held))
    lines = ["Overall:", "    Device size:\t\t      8589934592", "    Multiple profiles:\t\t             no", ""]
    for kind, profile, used, held in chunks:
        lines.append(f"{kind},{profile}: Size:{GIB}, Used:{used} (1.00%)")
        lines += [f"   {device}\t{GIB}" for device in held]
        lines.append("")
    lines += ["Unallocated:", *[f"   {device}\t{GIB}" for device in devices]] if devices else []
    return run("filesystem", "usage", "-b", stdout="\n".join(lines) + "\n")


def df(*chunks: tuple[str, str], used: str = "1.00MiB") -> CommandRead:
    """Chunks as kind and profile; none is empty."""
    lines = [f"{kind}, {profile}: total=1.00GiB, used={used}" for kind, profile in chunks]
    reserve = "GlobalReserve, single: total=3.25MiB, used=0.00B"
    return run("filesystem", "df", stdout="\n".join([*lines, reserve]) + "\n")


BOTH = ("/dev/sdb", "/dev/sdc")
GONE = ("/dev/sdb", "missing")


def mirror(held: tuple[str, ...], profile: str = "RAID1") -> CommandRead:
    return usage(*[(kind, profile, 4096, held) for kind in ("Data", "Metadata", "System")], devices=held)


def sysfs(**files: str) -> list[Read]:
    """Files below the filesystem's folder; ``__`` stands for a slash."""
    return [FileRead(f"/sys/fs/btrfs/{UUID}/{name.replace('__', '/')}", f"{text}\n") for name, text in files.items()]


RUNS = "23.4% done, 0 write errs, 2 uncorr. read errs"


def activity_of(array: Array) -> Activity:
    assert array.activities is not None
    (activity,) = array.activities
    return activity


def ended(how: str, began: str = " 6.May 06:00:00", at: str = " 6.May 07:00:00", write: int = 0) -> str:
    share = " at 0.0%" if how == "canceled" else ""
    return f"Started on {began}, {how} on {at}{share}, {write} write errs, 0 uncorr. read errs"


STATS = """[/dev/sdb].write_io_errs    1
[/dev/sdb].read_io_errs     2
[/dev/sdb].flush_io_errs    4
[/dev/sdb].corruption_errs  8
[/dev/sdb].generation_errs  16
[devid:2].write_io_errs    0
[devid:2].read_io_errs     3
[devid:2].flush_io_errs    0
[devid:2].corruption_errs  0
[devid:2].generation_errs  0
"""

LISTED = """/dev/sdb, ID: 1
   Device size:          4294967296
   Device slack:                  0
   Unallocated:          4294967296

missing, ID: 3
   Device size:                   0
   Device slack:                  0
   Unallocated:          4294967296
"""

SCRUB = """UUID:             {uuid}
Scrub started:    Tue May  6 05:08:09 2031
Status:           {status}
Duration:         1:00:00
{running}Total to scrub:   4.00GiB
Rate:             210.00MiB/s
Error summary:    {errors}
"""
RUNNING = "Time left:        0:30:05\nETA:              Tue May  6 07:38:14 2031\nBytes scrubbed:   1.20GiB  (32.35%)\n"
ERRORS = "read=2 csum=5\n  Corrected:      4\n  Uncorrectable:  3\n  Unverified:     0"


def scrub(status: str, running: str = "", errors: str = "no errors found") -> CommandRead:
    text = SCRUB.format(uuid=UUID, status=status, running=running, errors=errors)
    return run("scrub", "status", stdout=text)
