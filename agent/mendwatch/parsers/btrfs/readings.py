"""The readings of one poll, put together by filesystem: the most exact of several forms, and what failed."""

from __future__ import annotations

from dataclasses import dataclass, field

from mendwatch.model.capture import Capture, CommandRead
from mendwatch.model.mountinfo import MOUNTINFO, Mount, odd_lines
from mendwatch.model.observation import Unread
from mendwatch.parsers.btrfs.mounts import mounts_of
from mendwatch.parsers.btrfs.outputs import Counted, Show, Usage, read_show, read_stats, read_usage
from mendwatch.parsers.btrfs.sysfs import Sysfs, sysfs_of

GROUPS = ("replace", "device", "filesystem", "scrub", "balance")
VERBS = ("status", "stats", "show", "usage")
TIMED_OUT = 124  # what timeout(1) ends with
ERRORS_COUNTED = 64  # this bit of the exit code of `device stats -c` says that a counter is not 0


@dataclass(slots=True)
class Readings:
    """What one poll read of one filesystem; None is 'not read'.

    Attributes:
        asked: the commands that were run on it, whether they answered or not.
        failed: those that did not, each in words.
    """

    mount: str | None = None
    uuid: str | None = None
    show: Show | None = None
    stats: list[Counted] | None = None
    usage: Usage | None = None
    replace: str | None = None
    balance: str | None = None
    scrub: str | None = None
    sysfs: Sysfs | None = None
    asked: set[str] = field(default_factory=set)
    failed: list[str] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    exact: set[str] = field(default_factory=set)

    def odd(self, line: int, text: str) -> None:
        """Note a line that could not be read."""
        self.unread.append(Unread(line, text))


@dataclass(frozen=True, slots=True)
class Gathered:
    """All filesystems of one poll, what failed where none could be told, and whether the mounts were listed."""

    filesystems: tuple[Readings, ...]
    unread: tuple[Unread, ...]
    failed: tuple[str, ...]
    complete: bool


def gather(capture: Capture) -> Gathered:
    """Bring the readings of a poll together: commands by mount point, sysfs by UUID."""
    mountinfo = next((f for f in capture.files() if f.path.endswith(MOUNTINFO)), None)
    text = mountinfo.text if mountinfo is not None else None
    mounts = mounts_of(text or "")
    by_mount = {mount.point: Readings(mount=mount.point) for mount in mounts}
    for read in capture.commands():
        words = _words(read)
        if words is not None and read.argv[-1].startswith("/"):
            _take(by_mount.setdefault(read.argv[-1], Readings(mount=read.argv[-1])), words, read)
    folders = sysfs_of(capture.reads)
    _identify(by_mount, {mount.point: mount for mount in mounts}, folders)
    found: dict[str, Readings] = {}
    failed: list[str] = []
    odd = [Unread(number, line) for number, line in odd_lines(text or "")]
    for place, one in by_mount.items():
        if _told(one) or (one.uuid in folders) or any(mount.point == place for mount in mounts):
            # A filesystem that is mounted twice is one: the first mount point that was asked speaks for it.
            found.setdefault(one.uuid or place, one)
        else:
            failed += one.failed[:1]
            odd += one.unread
    for uuid, folder in folders.items():
        found.setdefault(uuid, Readings(uuid=uuid)).sysfs = folder
    if mountinfo is not None and text is None:
        failed.append(f"{MOUNTINFO}: {mountinfo.error}")
    return Gathered(tuple(found.values()), tuple(odd), tuple(failed), text is not None)


def _words(read: CommandRead) -> tuple[str, str] | None:
    """The group and the verb of a btrfs command, written out; None for any other command."""
    if not read.argv or read.argv[0].rpartition("/")[2] != "btrfs":
        return None
    words = [word for word in read.argv[1:-1] if not word.startswith("-") and word not in {"json", "text"}]
    if len(words) != 2:  # noqa: PLR2004 - a group and a verb
        return None
    group = next((full for full in GROUPS if full.startswith(words[0])), None)
    verb = next((full for full in VERBS if full.startswith(words[1])), None)
    return (group, verb) if group is not None and verb is not None else None


def _take(found: Readings, words: tuple[str, str], read: CommandRead) -> None:
    command = " ".join(words)
    found.asked.add(command)
    if not _answered(words, read):
        found.failed.append(_why(read))
        return
    exact = bool({"-b", "--raw", "json"} & set(read.argv))
    if command in found.exact and not exact:
        return  # The same, rounded.
    if exact:
        found.exact.add(command)
    match command:
        case "replace status":
            found.replace = read.stdout
        case "balance status":
            found.balance = read.stdout
        case "device stats":
            found.stats = read_stats(read.stdout, found.odd)
        case "filesystem usage":
            found.usage = read_usage(read.stdout, found.odd)
        case "filesystem show":
            _take_show(found, read.stdout)
        case "scrub status" if not {"-R", "-d"} & set(read.argv):
            found.scrub = read.stdout
        case _:
            pass  # Other forms say nothing that is not known from these.


def _take_show(found: Readings, text: str) -> None:
    shown = read_show(text, found.odd)
    if shown:
        found.show, found.uuid = shown[0], shown[0].uuid


def _answered(words: tuple[str, str], read: CommandRead) -> bool:
    if read.exit is None or read.exit == TIMED_OUT or read.error is not None:
        return False
    if words[0] == "balance":
        return read.exit == 0 or (read.exit == 1 and read.stdout.startswith("Balance on"))
    if words == ("device", "stats") and read.exit & ERRORS_COUNTED:
        return True
    return read.exit == 0


def _why(read: CommandRead) -> str:
    said = read.error or next(iter(read.stderr.strip().splitlines()), f"ended with {read.exit}")
    words = [read.argv[0].rpartition("/")[2], *read.argv[1:]]
    return f"{' '.join(words)}: {said}"


def _told(found: Readings) -> bool:
    read = (found.show, found.stats, found.usage, found.replace, found.balance, found.scrub)
    return any(reading is not None for reading in read)


def _identify(by_mount: dict[str, Readings], mounts: dict[str, Mount], folders: dict[str, Sysfs]) -> None:
    """Find the UUID of filesystems that ``show`` did not tell: by scrub status, by device, or the last that is left."""
    for place, found in by_mount.items():
        if found.uuid is None and found.scrub is not None:
            first = next(iter(found.scrub.splitlines()), "")
            key, _, uuid = first.partition(":")
            found.uuid = uuid.strip() if key == "UUID" and uuid.strip() else None
        if found.uuid is None and place in mounts:
            device = mounts[place].device.rpartition("/")[2]
            found.uuid = next((uuid for uuid, folder in folders.items() if device in folder.blocks), None)
    nameless = [found for found in by_mount.values() if found.uuid is None]
    left = set(folders) - {found.uuid for found in by_mount.values()}
    if len(nameless) == len(left) == 1:
        nameless[0].uuid = left.pop()
