"""``btrfs scrub status`` (cmds/scrub.c): fields from 5.2 on, prose before; ``-R`` counts, ``-d`` is by device."""

from __future__ import annotations

import re
from dataclasses import dataclass

from mendwatch.parsers.btrfs.text import NUMBER, SIZE, Note, lines, size_bytes

FIELD = re.compile(r"(?P<name>[A-Z][A-Za-z ]+):(?:\s+(?P<value>.*))?")
FIELDS = frozenset(
    {"UUID", "Scrub started", "Scrub resumed", "Status", "Duration", "Time left", "ETA", "Total to scrub"}
    | {"Bytes scrubbed", "Rate", "Error summary", "Corrected", "Uncorrectable", "Unverified"}
)
COUNTER = re.compile(r"(?P<name>[a-z_]+): (?P<count>\d{1,20})")
COUNTERS = frozenset(
    {"data_extents_scrubbed", "tree_extents_scrubbed", "data_bytes_scrubbed", "tree_bytes_scrubbed", "read_errors"}
    | {"csum_errors", "verify_errors", "no_csum", "csum_discards", "super_errors", "malloc_errors"}
    | {"uncorrectable_errors", "unverified_errors", "corrected_errors", "last_physical"}
)
DEVICE = re.compile(r"[Ss]crub device .* \(id \d{1,20}\)(?: status| history| done)?")
NO_STATS = "no stats available"
UUID = re.compile(r"(?:UUID:\s+|scrub status for )(?P<uuid>[0-9a-f]{8}(?:-[0-9a-f]{4}){3}-[0-9a-f]{12})")
PROSE = re.compile(
    r"scrub (?P<how>started|resumed) at (?P<date>.+?)(?:,| and)"
    r" (?P<status>running for|was aborted after|finished after|interrupted after)"
    r" (?P<span>[\d:]{1,20})(?: seconds)?(?:, not running)?"
)
PROSE_STATUS = {"running for": "running", "was aborted after": "aborted", "finished after": "finished"}
PROSE_COUNT = re.compile(rf"total bytes scrubbed: (?P<bytes>{SIZE}) with (?P<errors>{NUMBER}) errors")
PROSE_DETAILS = re.compile(r"error details:.*")
PROSE_ERRORS = re.compile(
    r"corrected errors: \d{1,20}, uncorrectable errors: (?P<errors>\d{1,20}), unverified errors: \d{1,20}"
)
SCRUBBED = re.compile(rf"(?P<bytes>{SIZE})(?:\s+\((?P<percent>\d{{1,6}}(?:\.\d{{1,6}})?)%\))?")
SPAN = re.compile(r"(?P<hours>\d{1,6}):(?P<minutes>\d\d):(?P<seconds>\d\d)")
WORST = ("running", "interrupted", "aborted", "finished")


@dataclass(slots=True)
class Scrub:
    """The last scrub of one device, or of the filesystem.

    Attributes:
        status: ``running``, ``interrupted``, ``aborted`` or ``finished``, None if there was none.
        started: as printed, None if it was resumed: then only that time is told.
        lasted_s: the time that it ran, without the pauses of one that was resumed.
        errors: those that could not be corrected.
    """

    status: str | None = None
    started: str | None = None
    lasted_s: float | None = None
    left_s: float | None = None
    percent: float | None = None
    bytes_scrubbed: int | None = None
    errors: int | None = None


@dataclass(frozen=True, slots=True)
class ScrubStatus:
    """What ``scrub status`` says: the filesystem, and its last scrub as one."""

    uuid: str | None
    scrub: Scrub


def read_scrub(text: str, odd: Note) -> ScrubStatus:
    """Read ``btrfs scrub status``."""
    uuid = None
    parts = [Scrub()]
    for number, line in lines(text):
        if (told := UUID.fullmatch(line)) is not None:
            uuid = told["uuid"]
        elif DEVICE.fullmatch(line) is not None:
            parts.append(Scrub())
        elif line != NO_STATS and not (_field(parts[-1], line) or _counter(parts[-1], line) or _prose(parts[-1], line)):
            odd(number, line)
    return ScrubStatus(uuid, _as_one([part for part in parts if part.status is not None]))


def _field(part: Scrub, line: str) -> bool:
    match = FIELD.fullmatch(line)
    if match is None or match["name"] not in FIELDS:
        return False
    value = (match["value"] or "").strip()
    match match["name"]:
        case "Status":
            part.status = value if value in WORST else None
            return part.status is not None
        case "Scrub started":
            part.started = value
        case "Duration":
            part.lasted_s = _seconds(value)
        case "Time left":
            part.left_s = _seconds(value)
        case "Bytes scrubbed" if (scrubbed := SCRUBBED.fullmatch(value)) is not None:
            part.bytes_scrubbed = size_bytes(scrubbed["bytes"])
            part.percent = float(scrubbed["percent"]) if scrubbed["percent"] else None
        case "Error summary" if value == "no errors found":
            part.errors = 0
        case "Uncorrectable" if re.fullmatch(NUMBER, value):
            part.errors = int(value)
        case _:
            pass  # What is told besides follows from these, or is no news.
    return True


def _counter(part: Scrub, line: str) -> bool:
    match = COUNTER.fullmatch(line)
    if match is None or match["name"] not in COUNTERS:
        return False
    if match["name"] == "uncorrectable_errors":
        part.errors = int(match["count"])
    elif match["name"] in {"data_bytes_scrubbed", "tree_bytes_scrubbed"}:
        part.bytes_scrubbed = (part.bytes_scrubbed or 0) + int(match["count"])
    return True


def _prose(part: Scrub, line: str) -> bool:
    if (match := PROSE.fullmatch(line)) is not None:
        part.status = PROSE_STATUS.get(match["status"], "interrupted")
        part.started = match["date"] if match["how"] == "started" else None
        span = match["span"]
        part.lasted_s = float(span) if re.fullmatch(r"\d{1,9}", span) else _seconds(span)
    elif (match := PROSE_COUNT.fullmatch(line)) is not None:
        part.bytes_scrubbed = size_bytes(match["bytes"])
        part.errors = int(match["errors"])
    elif (match := PROSE_ERRORS.fullmatch(line)) is not None:
        part.errors = int(match["errors"])
    else:
        return PROSE_DETAILS.fullmatch(line) is not None
    return True


def _as_one(parts: list[Scrub]) -> Scrub:
    """The scrubs of the devices are one: it runs while one of them runs, and its errors are those of all."""
    if len(parts) < 2:  # noqa: PLR2004 - there is nothing to join
        return parts[0] if parts else Scrub()
    began = {part.started for part in parts}
    lasted = [part.lasted_s for part in parts if part.lasted_s is not None]
    errors = [part.errors for part in parts if part.errors is not None]
    scrubbed = [part.bytes_scrubbed for part in parts if part.bytes_scrubbed is not None]
    return Scrub(
        status=next(status for status in WORST if any(part.status == status for part in parts)),
        started=parts[0].started if len(began) == 1 else None,
        lasted_s=max(lasted, default=None),
        bytes_scrubbed=sum(scrubbed) if scrubbed else None,
        errors=sum(errors) if len(errors) == len(parts) else None,
    )


def _seconds(text: str) -> float | None:
    span = SPAN.fullmatch(text)
    if span is None:
        return None
    return int(span["hours"]) * 3600.0 + int(span["minutes"]) * 60 + int(span["seconds"])
