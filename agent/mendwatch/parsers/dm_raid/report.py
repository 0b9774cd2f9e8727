"""The raid volumes of a report of ``lvs``, as far as it tells: see lvs(8) for the attributes, lvmraid(7) for the rest.

An empty health status does not mean redundant: a leg whose missing drive was taken out of the group stands on a segment
of type ``error``, which is called healthy there (lib/metadata/lv.c). So each leg must show that it is in sync and on a
device.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from mendwatch.parsers.dm_raid.names import LEG
from mendwatch.parsers.dm_raid.rows import Row
from mendwatch.parsers.dm_raid.volume import WHOLE_SET, Volume, number

UNKNOWN_DEVICES = ("[unknown]", "unknown device")
# The ninth attribute, where the words were not asked for.
HEALTH = {
    "p": "partial",
    "r": "refresh or repair needed",
    "m": "mismatches exist",
    "w": "writemostly",
    "X": "unknown",
}
HARMLESS = frozenset({"", "writemostly", "mismatches exist"})
DEVICE = re.compile(r"(?P<name>\[?[^,()\[\]]+\]?)\(\d+\)")
# A partition of these drivers is named after its disk, with a "p" between where the disk's name ends in a digit
# (disk_name in the kernel's block/partitions).
DRIVE = re.compile(r"/dev/(?P<disk>(?:sd|hd|vd|xvd)[a-z]+|(?:nvme\d+n|mmcblk)\d+)(?:(?<=[a-z])\d+|(?<=\d)p\d+)?")
DEEPEST = 6


@dataclass(frozen=True, slots=True)
class Reported:
    """One volume as LVM reports it.

    Attributes:
        raid: whether it is one of the raid types.
        volume: the same as a status would show it, with ``?`` for a leg of which nothing is told.
        active: whether it is mapped; otherwise LVM knows nothing of its state.
        health: LVM's word, empty when it has nothing to say.
        legs: in slot order.
        drives: the whole disk behind each leg that has one.
        limits: the volume's own recovery limits, if they were reported; empty texts where it has none.
    """

    group: str | None
    lv: str
    uuid: str | None
    raid: bool
    volume: Volume
    active: bool
    health: str
    legs: tuple[str, ...]
    drives: dict[str, str] = field(default_factory=dict)
    limits: dict[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """``vg/lv``, or what of it was reported."""
        return self.lv if self.group is None else f"{self.group}/{self.lv}"


def reported(rows: Iterable[Row]) -> tuple[Reported, ...]:
    """All volumes but the legs; rows of one volume, one a segment, are taken together."""
    volumes: dict[_Key, list[Row]] = {}
    for row in rows:
        if row.get("lv_name"):
            volumes.setdefault((row.get("vg_name") or None, row["lv_name"]), []).append(row)
    images: dict[_Key, set[int]] = {}
    for group, lv in volumes:
        leg = LEG.fullmatch(lv)
        if leg is not None:
            images.setdefault((group, leg["mapped"]), set()).add(int(leg["slot"]))
    return tuple(
        _reported(*key, volumes, images.get(key, set()))
        for key in volumes
        if "_rimage_" not in key[1] and "_rmeta_" not in key[1]
    )


_Key = tuple[str | None, str]
_Volumes = Mapping[_Key, Sequence[Row]]


def _reported(group: str | None, lv: str, volumes: _Volumes, images: set[int]) -> Reported:
    row = volumes[group, lv][0]
    attributes = row.get("lv_attr", "")
    active = attributes[4:5] != "-"
    action = row.get("raid_sync_action", "")
    # In slot order: as the volume lists them, else up to the last that has a row.
    devices = [name for one in volumes[group, lv] for name in _devices(one)]
    listed = [name for name in devices if LEG.fullmatch(name)]
    legs = tuple(dict.fromkeys(listed)) or tuple(f"{lv}_rimage_{slot}" for slot in range(max(images, default=-1) + 1))
    letters = "".join(_letter(volumes.get((group, leg), ()), told=active and bool(action)) for leg in legs)
    if action in WHOLE_SET:
        # Of a set that is synced as a whole LVM calls the first leg good; the kernel calls none so.
        letters = letters.replace("A", "a")
    health = _health(row)
    odd = any(None in _listed(one) for one in volumes[group, lv]) or (listed and len(listed) < len(devices))
    if odd or len(legs) == 1:
        letters = "?" * len(letters)  # there may be more legs
    if health not in HARMLESS and not set(letters) & set("D-a"):
        letters = "?" * len(letters)  # something is the matter, and no leg says that it is the one
    volume = Volume(
        type=row.get("segtype", ""),
        health=letters,
        action=action,
        share=_percent(row.get("sync_percent", "")) if active else None,
        mismatches=number(row.get("raid_mismatch_count")),
    )
    raid = row["segtype"].startswith("raid") if "segtype" in row else attributes[:1] in {"r", "R"} or bool(legs)
    drives = {leg: drive for leg in legs if (drive := _drive(group, leg, volumes, DEEPEST)) is not None}
    names = {f"{end}_recovery_rate": f"raid_{end}_recovery_rate" for end in ("min", "max")}
    limits = {name: row[column] for name, column in names.items() if column in row}
    return Reported(group, lv, row.get("lv_uuid") or None, raid, volume, active, health, legs, drives, limits)


def _devices(row: Row) -> list[str]:
    return [found["name"].strip("[]") for found in _listed(row) if found is not None]


def _listed(row: Row) -> list[re.Match[str] | None]:
    """The devices of a row; None for one that is not understood."""
    return [DEVICE.fullmatch(text.strip()) for text in row.get("devices", "").split(",") if text.strip()]


def _health(row: Row) -> str:
    return row.get("lv_health_status") or HEALTH.get(row.get("lv_attr", "")[8:9], "")


def _letter(rows: Sequence[Row], *, told: bool) -> str:
    """The health letter that the kernel would show for a leg; ``told``: the state of legs was asked of the kernel."""
    if any(row.get("segtype") == "error" for row in rows):
        return "-"
    healths = {_health(row) for row in rows}
    devices = [row.get("devices", "") for row in rows]
    if "partial" in healths or any(unknown in text for text in devices for unknown in UNKNOWN_DEVICES):
        return "D"
    if any("refresh" in health or "repair" in health for health in healths):
        return "D"
    kinds = {row.get("lv_attr", "")[:1] for row in rows}
    on_a_device = bool(rows) and all(row.get("segtype") or row.get("devices") for row in rows)
    if kinds == {"i"} and on_a_device and "unknown" not in healths:
        return "A"
    # Without the action an image out of sync may be one that is filled, or one of a set in its first sync.
    return "a" if kinds == {"I"} and told else "?"


def _percent(text: str) -> float | None:
    try:
        share = float(text.replace(",", ".")) / 100
    except ValueError:
        return None
    return share if 0 <= share <= 1 else None


def _drive(group: str | None, lv: str, volumes: _Volumes, depth: int) -> str | None:
    """The one whole disk below a volume, followed through the volumes in between; None if there is no such one."""
    found: set[str | None] = set()
    for name in (name for row in volumes.get((group, lv), ()) for name in _devices(row)):
        match = DRIVE.fullmatch(name)
        if match is not None:
            found.add(match["disk"])
        else:
            found.add(_drive(group, name, volumes, depth - 1) if depth else None)
    return found.pop() if len(found) == 1 else None
