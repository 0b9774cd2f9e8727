"""Documents of ``zpool status`` composed from the published source of OpenZFS, by era; all names are invented."""

from __future__ import annotations

from datetime import UTC, datetime

from mendwatch.model.capture import Capture, CommandRead, FileRead
from mendwatch.model.observation import Array, Observation
from mendwatch.parsers.zfs import PARSER

AT = datetime(2026, 3, 5, 12, 0, tzinfo=UTC)

RAIDZ_REPLACE = """\
vault                      DEGRADED     0     0     0
  raidz1-0                 DEGRADED     0     0     0
    dsk-a01                ONLINE       0     0     0
    replacing-1            DEGRADED     0     0     0
      4093117205518846621  UNAVAIL      0     0     0  was /dev/disk/by-id/dsk-a02-part1
      dsk-b07              ONLINE       0     0     0  (resilvering)
    dsk-a03                ONLINE       0     0     1
    dsk-a04                ONLINE       0     0     0"""
MIRROR = """\
vault                      ONLINE       0     0     0
  mirror-0                 ONLINE       0     0     0
    dsk-a01                ONLINE       0     0     0
    dsk-a02                ONLINE       0     0     0"""


def document(
    scan: str = "",
    table: str = MIRROR,
    *,
    name: str = "vault",
    state: str = "ONLINE",
    errors: str = "errors: No known data errors\n",
    before: str = "",
) -> str:
    """One pool; ``scan`` is the whole paragraph, ``table`` the rows without their tab."""
    rows = "".join(f"\t{row}\n" for row in table.splitlines())
    header = f"\t{'NAME':<25}  STATE     READ WRITE CKSUM\n"
    return f"  pool: {name}\n state: {state}\n{before}{scan}config:\n\n{header}{rows}\n{errors}"


def capture(*reads: CommandRead | FileRead, zone: str = "UTC", at: datetime = AT) -> Capture:
    """One poll."""
    return Capture(at, "zfs", reads, zone=zone)


def answer(stdout: str, *options: str, code: int | None = 0, stderr: str = "") -> CommandRead:
    """What ``zpool status`` with these words said."""
    return CommandRead(("zpool", "status", *options), code, stdout, stderr)


def parse(text: str, *options: str, zone: str = "UTC") -> Observation:
    """A poll that holds only this output."""
    return PARSER.parse(capture(answer(text, *options), zone=zone))


def pool(text: str, *options: str, zone: str = "UTC") -> Array:
    """The one pool of an output, every line of which was read."""
    seen = parse(text, *options, zone=zone)
    assert seen.unread == ()
    assert seen.error is None
    (array,) = seen.arrays
    return array
