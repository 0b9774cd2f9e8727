"""What the kernel knows of a whole disk, told without waking it.

Where the bytes stand: the kernel's sysfs-block description; IDENTIFY DEVICE words, ATA Command Set 4; the ATA
Information page (89h) that carries them, SCSI / ATA Translation; unit serial number page (80h), SCSI Primary Commands.

Why none of it wakes a drive that sleeps: the kernel answers each of these files from what it keeps in memory.

- ``size``, ``queue/*``: the disk's and the queue's own fields (block/genhd.c, block/blk-sysfs.c).
- ``device/vpd_pg80``, ``vpd_pg89``: copies from when the drive was attached (drivers/scsi/scsi.c; page 89h is there
  in every kernel from 5.10 on that was looked into, 80h from before). They are read only where the files exist;
  nothing is ever asked of the drive in their place.
- ``device/{vendor,model,serial,name,wwid,ioerr_cnt}``, ``zoned_cap``: what attaching brought in, and counters of the
  driver (drivers/scsi/scsi_sysfs.c, sd.c, drivers/nvme/host/sysfs.c).
- The link: what was agreed on when it came up (libata, the SAS transport, USB). For NVMe it is asked of the PCI
  function's configuration space, which is on the way to the drive and not a command to it (from memory).
- ``serial`` beside ``queue`` is there for virtio drives only, and is asked of the hypervisor (from memory).
"""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

from mendwatch.model.capture import DriveFacts
from mendwatch.sources.sysfs import Sysfs

_SECTOR_BYTES = 512  # sysfs counts in these, whatever the drive's own block size
_IDENTIFY_AT, _IDENTIFY_BYTES = 60, 512
_ZONED_BY_BITS = {1: "host-aware", 2: "drive-managed"}
_ZONED = frozenset({"host-aware", "host-managed", "drive-managed"})
# Drives of virtual machines call themselves rotating and take discards, which says nothing of how they write.
_VIRTUAL = ("QEMU", "VBOX", "VMWARE", "VIRTUAL", "MSFT")  # from memory
_USB_DEVICE = re.compile(r"\d+-\d+(?:\.\d+)*")  # bus, then the ports on the way


def drive_facts(sysfs: Sysfs, name: str) -> DriveFacts:
    """The facts of one disk that last as long as it is attached; each that the kernel does not tell is None."""
    folder = sysfs.folder(name)
    identify = _identify(sysfs.raw(folder / "device/vpd_pg89"))
    model = identify.model or sysfs.text(folder / "device/model") or sysfs.text(folder / "device/name")
    sectors = sysfs.number(folder / "size")
    rotational = _flag(sysfs, folder / "queue/rotational")
    discard = _discards(sysfs, folder, identify)
    if rotational and not _is_real(sysfs, name, model, sectors):
        discard = None
    return DriveFacts(
        model=model,
        serial=identify.serial or _serial(sysfs, folder),
        size_bytes=None if sectors is None else sectors * _SECTOR_BYTES,
        rotational=rotational,
        discard=discard,
        zoned=_zoned(sysfs, folder, identify),
        logical_sector_bytes=sysfs.number(folder / "queue/logical_block_size"),
        physical_sector_bytes=sysfs.number(folder / "queue/physical_block_size"),
    )


def as_now(sysfs: Sysfs, name: str, facts: DriveFacts) -> DriveFacts:
    """The facts with those that change while the drive stays: its link, which errors slow down, and its cache."""
    return replace(facts, link=_link(sysfs, name), write_cache=sysfs.text(sysfs.folder(name) / "queue/write_cache"))


def io_errors(sysfs: Sysfs, name: str) -> int | None:
    """Commands that ended with an error since the drive was attached, as SCSI and SATA drives have it (``0x1f``)."""
    text = sysfs.text(sysfs.folder(name) / "device/ioerr_cnt")
    return int(text, 16) if text is not None and re.fullmatch(r"0x[0-9a-f]{1,16}", text) else None


class _Identify:
    """The words of an ATA drive's own description, None or 0 where there is none."""

    def __init__(self, block: bytes) -> None:
        self._block = block
        self.serial = self._string(10, 19)
        self.model = self._string(27, 46)
        self.zoned = _ZONED_BY_BITS.get(self._word(69) & 3)
        self.trim = bool(self._word(169) & 1)

    def _word(self, number: int) -> int:
        return int.from_bytes(self._block[2 * number : 2 * number + 2], "little")

    def _string(self, first: int, last: int) -> str | None:
        raw = self._block[2 * first : 2 * last + 2]
        # Two characters a word, the high byte first.
        swapped = bytes(byte for at in range(0, len(raw), 2) for byte in reversed(raw[at : at + 2]))
        return _printable(swapped)


def _identify(page: bytes | None) -> _Identify:
    block = b"" if page is None else page[_IDENTIFY_AT : _IDENTIFY_AT + _IDENTIFY_BYTES]
    return _Identify(block if len(block) == _IDENTIFY_BYTES else b"")


def _printable(raw: bytes) -> str | None:
    return "".join(chr(byte) for byte in raw if 0x20 <= byte < 0x7F).strip() or None  # noqa: PLR2004 - ASCII


def _serial(sysfs: Sysfs, folder: Path) -> str | None:
    page = sysfs.raw(folder / "device/vpd_pg80")
    return (
        sysfs.text(folder / "device/serial")
        or (None if page is None else _printable(page[4:]))
        or sysfs.text(folder / "serial")
    )


def _flag(sysfs: Sysfs, path: Path) -> bool | None:
    number = sysfs.number(path)
    return None if number is None else number > 0


def _discards(sysfs: Sysfs, folder: Path, identify: _Identify) -> bool | None:
    """Whether the hardware takes discards; the other limit is soft, and the owner may have set it to 0."""
    told = _flag(sysfs, folder / "queue/discard_max_hw_bytes")
    if told is None:
        told = _flag(sysfs, folder / "queue/discard_max_bytes")
    return True if identify.trim else told


def _is_real(sysfs: Sysfs, name: str, model: str | None, sectors: int | None) -> bool:
    """A SATA or SAS drive of its own, not one that a host, a controller or a bridge makes up."""
    folder = sysfs.folder(name)
    place = str(sysfs.real(name))
    if not sectors or re.search("/(?:virtual/|virtio|usb)", place) or sysfs.number(folder / "removable"):
        return False
    if (model or "").upper().startswith(_VIRTUAL):
        return False
    return sysfs.text(folder / "device/vendor") == "ATA" or "/end_device-" in place


def _zoned(sysfs: Sysfs, folder: Path, identify: _Identify) -> str | None:
    """The drive's own word if it says one, else the kernel's, by which drive-managed drives read ``none``."""
    caps = sorted((folder / "device/scsi_disk").glob("*/zoned_cap"))
    said = sysfs.text(caps[0]) if caps else None
    if said in _ZONED:
        return said
    return identify.zoned or sysfs.text(folder / "queue/zoned")


def _link(sysfs: Sysfs, name: str) -> str | None:
    """The speed of the link: the SATA link, the SAS port's phy, the USB device's, or the PCI function's."""
    place = sysfs.real(name)
    if "/nvme-subsystem/" in str(place):
        # One drive at several controllers hangs below none of them; the first by name stands for all.
        ways = sorted(place.parent.glob("nvme*/device/current_link_speed"))
        return _lanes(sysfs, ways[0].parent) if ways else None
    for above in place.parents:
        if above.name.startswith("ata") and above.name[3:].isdecimal():
            return _speed(sysfs, sysfs.root / f"sys/class/ata_link/link{above.name[3:]}/sata_spd")
        if above.name.startswith("port-"):
            rates = sorted(above.glob("phy-*/sas_phy/*/negotiated_linkrate"))
            return _speed(sysfs, rates[0]) if rates else None
        if _USB_DEVICE.fullmatch(above.name):
            speed = _speed(sysfs, above / "speed")
            return None if speed is None else f"USB {speed} Mbit/s"
        if place.name.startswith("nvme") and (above / "current_link_speed").exists():
            return _lanes(sysfs, above)
    return None


def _lanes(sysfs: Sysfs, function: Path) -> str | None:
    speed = _speed(sysfs, function / "current_link_speed")
    width = sysfs.text(function / "current_link_width")
    return f"{speed} x{width}" if speed and width else speed


def _speed(sysfs: Sysfs, path: Path) -> str | None:
    text = sysfs.text(path)
    return text if text is not None and text[0].isdigit() else None
