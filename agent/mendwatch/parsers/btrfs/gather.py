"""The readings of one poll by filesystem: commands by what they were asked about, sysfs by UUID."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from mendwatch.model.capture import CommandRead, FileRead, Read
from mendwatch.model.mountinfo import MOUNTINFO, Mount, odd_lines
from mendwatch.model.observation import Unread
from mendwatch.parsers.btrfs.commands import asked
from mendwatch.parsers.btrfs.mounts import mounts_of
from mendwatch.parsers.btrfs.readings import Readings
from mendwatch.parsers.btrfs.sysfs import Sysfs, sysfs_of

WHOLE_HOST = ""


@dataclass(frozen=True, slots=True)
class Gathered:
    """All filesystems of one poll.

    Attributes:
        unread, failed: what belongs to none of them.
        complete: the mounts were listed, so that these are all that are mounted.
        none: the whole host was asked, answered, and has none.
    """

    filesystems: tuple[Readings, ...]
    unread: tuple[Unread, ...]
    failed: tuple[str, ...]
    complete: bool
    none: bool


def gather(reads: tuple[Read, ...]) -> Gathered:
    """Bring the readings of a poll together."""
    mountinfo = next((read for read in reads if isinstance(read, FileRead) and read.path.endswith(MOUNTINFO)), None)
    text = mountinfo.text if mountinfo is not None else None
    mounts = {mount.point: mount for mount in mounts_of(text or "")}
    places = {point: Readings(mount=point) for point in mounts}
    # A listing of the whole host comes last: what was asked about one filesystem says more.
    listed: list[Readings] = []
    none = False
    for read in reads:
        command = asked(read) if isinstance(read, CommandRead) else None
        if isinstance(read, CommandRead) and command is not None:
            place = places.setdefault(command.about or WHOLE_HOST, Readings(mount=command.mount))
            listed += [Readings(uuid=show.uuid, show=show) for show in place.take(command, read)]
            none |= place is places.get(WHOLE_HOST) and place.asked == {"filesystem show"} and not place.failed
    folders = sysfs_of(reads)
    _identify(places, mounts, folders, listed)
    found: dict[str, Readings] = {}
    failed: list[str] = []
    odd = [Unread(number, line) for number, line in odd_lines(text or "")]
    known = set(folders) | {str(one.uuid) for one in listed}
    for point, one in places.items():
        if one.told or one.uuid in known or point in mounts:
            _add(found, one.uuid or point, one)
        else:
            failed += one.failed[:1]
            odd += one.unread
    for uuid, folder in folders.items():
        _add(found, uuid, Readings(uuid=uuid, sysfs=folder))
    for one in listed:
        _add(found, str(one.uuid), one)
    if found and WHOLE_HOST in places:
        failed = [why for why in failed if why not in places[WHOLE_HOST].failed]
    if mountinfo is not None and text is None:
        failed.append(f"{MOUNTINFO}: {mountinfo.error}")
    return Gathered(tuple(found.values()), tuple(odd), tuple(failed), text is not None, none)


def _add(found: dict[str, Readings], key: str, one: Readings) -> None:
    """A filesystem that was asked at several places is one: the first speaks for it, the others fill what it lacks."""
    if key in found:
        found[key].join(one)
    else:
        found[key] = one


def _identify(
    places: Mapping[str, Readings], mounts: Mapping[str, Mount], folders: Mapping[str, Sysfs], listed: list[Readings]
) -> None:
    """Find the UUID where no output of a place told it: by its devices, or as the last that is left."""
    devices = {uuid: set(folder.blocks) for uuid, folder in folders.items()}
    for one in (*places.values(), *listed):
        if one.uuid is not None and one.show is not None:
            devices.setdefault(one.uuid, set()).update(_names(one.paths))
    for place, one in places.items():
        if one.uuid is None:
            named = one.paths | {place} | ({mounts[place].device} if place in mounts else set())
            fitting = [uuid for uuid, blocks in devices.items() if blocks & _names(named)]
            one.uuid = fitting[0] if len(fitting) == 1 else None
    nameless = [one for place, one in places.items() if one.uuid is None and (one.told or place != WHOLE_HOST)]
    known = {*folders} | {str(one.uuid) for one in listed}
    left = known - {one.uuid for one in places.values() if one.mount is not None}
    if len(nameless) == len(left) == 1:
        nameless[0].uuid = left.pop()


def _names(paths: Iterable[str]) -> set[str]:
    return {path.rpartition("/")[2] for path in paths if path.startswith("/dev/")}
