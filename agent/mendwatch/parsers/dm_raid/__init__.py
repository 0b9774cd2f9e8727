"""device-mapper RAID (LVM RAID volumes): ``dmsetup status`` and ``table`` at each poll, ``lvs`` only seldom.

Order of trust within one poll: the kernel's health letters over what LVM reports of them; sysfs over a report for the
id; the table over a report for the limits. A report decides only where no status was given.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping

from mendwatch.model.capture import Capture, CommandRead, Read
from mendwatch.model.names import printable
from mendwatch.model.observation import Array, Observation, Unread
from mendwatch.model.plugin import Command, Want
from mendwatch.parsers.dm_raid import names, status, sysfs
from mendwatch.parsers.dm_raid.arrays import Known, build
from mendwatch.parsers.dm_raid.report import HARMLESS, Reported, reported
from mendwatch.parsers.dm_raid.rows import is_report, rows_of
from mendwatch.parsers.dm_raid.sysfs import Sysfs, sysfs_of
from mendwatch.parsers.dm_raid.volume import Volume

STATUS = ("dmsetup", "status", "--target", "raid", "--noflush")
TABLE = ("dmsetup", "table", "--target", "raid")
COLUMNS = (
    "lv_uuid",
    "vg_name",
    "lv_name",
    "segtype",
    "lv_attr",
    "lv_health_status",
    "sync_percent",
    "raid_sync_action",
    "raid_mismatch_count",
    "raid_min_recovery_rate",
    "raid_max_recovery_rate",
    "devices",
)
REPORT = ("lvs", "-a", "--reportformat", "json", "--units", "b", "--nosuffix", "-o", ",".join(COLUMNS))


class DmRaidParser:
    """The raid target of device-mapper."""

    name = "dm-raid"
    program = "dmsetup"
    present_if = ("/sys/block/dm-*/dm/uuid",)

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """Files first, which never wait; then the kernel's word; LVM's only when that has changed.

        ``lvs`` takes the locks of the groups and reads the drives. It would wait for a suspended mapping.
        """
        if not reads:
            return sysfs.WANTS
        answers = [read for read in reads if isinstance(read, CommandRead) and status.is_dmsetup(read, "status")]
        if not answers:
            return (Command(STATUS), Command(TABLE))
        volumes = _volumes(answers, [])
        if not volumes or sysfs_of(reads).suspended:
            return ()
        seen = sorted(f"{mapped} {one.type} {one.health} {one.action}" for mapped, one in volumes.items())
        return (Command(REPORT, seldom="\n".join(seen)),)

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture."""
        told = sysfs_of(capture.files())
        odd: list[Unread] = []
        answers = [read for read in capture.commands() if status.is_dmsetup(read, "status")]
        reports = [read for read in capture.commands() if is_report(read)]
        volumes = _volumes(answers, odd)
        whole = not odd
        answered = [read for read in answers if read.exit == 0]
        known = _reports(reports, odd)
        if answered:
            tables = _tables(capture, odd)
            tabled = any(status.is_dmsetup(read, "table") and read.exit == 0 for read in capture.commands())
            matched = _matched(volumes, known)
            reported = {id(one) for one in matched.values()}
            arrays = tuple(
                build(
                    volume,
                    _known(mapped, volume, told, tables, matched.get(mapped), asked=bool(known), tabled=tabled),
                    capture,
                )
                for mapped, volume in volumes.items()
            )
            complete = whole and any(status.devices_of(read) == () for read in answered)
            elsewhere = {*told.legs, *tables}
            complete = complete and all(mapped in volumes or f"{mapped}-real" in volumes for mapped in elsewhere)
            complete = complete and all(id(one) in reported for one in known if one.raid and one.active)
            return Observation(capture.at, capture.source, arrays, tuple(odd), complete=complete)
        if any(read.exit == 0 for read in reports):
            arrays = tuple(_from_report(one, told, capture) for one in known if one.raid)
            # LVM knows nothing of mappings that others made.
            return Observation(capture.at, capture.source, arrays, tuple(odd), complete=False)
        refused = (*answers, *reports)
        why = _why(refused[0]) if refused else "dmsetup status: not in this poll"
        blind = (
            tuple(_unseen(mapped, slots, told, why, capture) for mapped, slots in told.legs.items()) if refused else ()
        )
        return Observation(capture.at, capture.source, blind, tuple(odd), error=printable(why), complete=False)


def _volumes(answers: list[CommandRead], odd: list[Unread]) -> dict[str, Volume]:
    volumes: dict[str, Volume] = {}
    for read in answers:
        if read.exit == 0:
            volumes.update(status.volumes_of(read, odd))
    return volumes


def _tables(capture: Capture, odd: list[Unread]) -> dict[str, dict[str, str]]:
    tables: dict[str, dict[str, str]] = {}
    for read in capture.commands():
        if status.is_dmsetup(read, "table") and read.exit == 0:
            tables.update(status.tables_of(read, odd))
    return tables


def _reports(reports: list[CommandRead], odd: list[Unread]) -> tuple[Reported, ...]:
    """What LVM reports; of an answer with a failure in it what there is, without a word on its form."""
    found: dict[str, Reported] = {}
    for read in reports:
        if read.exit is not None:
            rows = rows_of(read, odd if read.exit == 0 else [])
            found.update({one.name: one for one in reported(rows)})
    return tuple(found.values())


def _matched(volumes: Mapping[str, Volume], known: tuple[Reported, ...]) -> dict[str, Reported]:
    """The report on each mapping; one that does not name the group only where one volume has that name."""
    reports = {(one.group, one.lv): one for one in known}
    parts = {mapped: names.LVM_NAME.fullmatch(mapped) for mapped in volumes} if known else {}
    named = {
        mapped: (part["group"].replace("--", "-"), part["volume"].replace("--", "-"))
        for mapped, part in parts.items()
        if part is not None
    }
    uses = Counter(lv for _, lv in named.values())
    found = {
        mapped: reports.get((group, lv)) or (reports.get((None, lv)) if uses[lv] == 1 else None)
        for mapped, (group, lv) in named.items()
    }
    return {mapped: one for mapped, one in found.items() if one is not None}


def _known(
    mapped: str,
    volume: Volume,
    told: Sysfs,
    tables: Mapping[str, Mapping[str, str]],
    report: Reported | None,
    *,
    asked: bool,
    tabled: bool,
) -> Known:
    uuid = told.uuids.get(mapped)
    name = names.shown_name(mapped, uuid)
    identity, kind = names.identity(mapped, uuid, report.uuid if report is not None else None)
    table = tables.get(mapped)
    limits = table if table is not None else report.limits if report is not None and report.limits else None
    return Known(
        name=name,
        id=identity,
        id_kind=kind,
        legs=tuple(names.leg_name(name, slot) for slot in range(len(volume.health))),
        drives=report.drives if report is not None else {},
        copies=status.copies_of(volume.type, len(volume.health), table or {}),
        own_limits=limits,
        system_limits=told.limits,
        device=told.devices.get(mapped),
        suspended=mapped in told.suspended,
        remarks=_remarks(report) if report is not None else () if asked else None,
        layout_told=table is not None or not tabled,
    )


def _remarks(report: Reported) -> tuple[str, ...]:
    return () if report.health in HARMLESS else (f"LVM reports: {printable(report.health)}",)


def _from_report(one: Reported, told: Sysfs, capture: Capture) -> Array:
    """A volume of which only LVM's word was read."""
    mapped = names.joined(one.group, one.lv) if one.group is not None else one.lv
    identity, kind = names.identity(mapped, told.uuids.get(mapped), one.uuid)
    known = Known(
        name=one.name,
        id=identity,
        id_kind=kind,
        legs=one.legs,
        drives=one.drives,
        copies=status.copies_of(one.volume.type, len(one.legs), {}),
        own_limits=one.limits or None,
        system_limits=told.limits,
        device=told.devices.get(mapped),
        suspended=mapped in told.suspended,
        remarks=_remarks(one),
        why_unknown=None if one.active else "the volume is not active, so that nothing tells its state",
        partial=True,
    )
    return build(one.volume, known, capture)


def _unseen(mapped: str, slots: tuple[int, ...], told: Sysfs, why: str, capture: Capture) -> Array:
    """A volume whose legs are mapped while nothing tells their state: it is there, and nobody watches it."""
    name = names.shown_name(mapped, told.uuids.get(mapped))
    identity, kind = names.identity(mapped, told.uuids.get(mapped), None)
    known = Known(
        name=name,
        id=identity,
        id_kind=kind,
        legs=tuple(names.leg_name(name, slot) for slot in slots),
        device=told.devices.get(mapped),
        suspended=mapped in told.suspended,
        why_unknown=printable(why),
    )
    return build(Volume(type="", health="?" * len(slots), action=""), known, capture)


def _why(read: CommandRead) -> str:
    said = read.error or next(iter(read.stderr.strip().splitlines()), f"ended with {read.exit}")
    return f"{' '.join(word for word in read.argv[:2] if not word.startswith('-'))}: {said}"


PARSER = DmRaidParser()
