"""What a pool's scan lines or JSON say, in one shape: scrubs, healing and sequential resilvers, expansion, removal.

``done`` is the printed percent: times the total it is finer than the scaled bytes (2.2 GiB against 10 on 21.6T), and is
what the later stages follow; ``done_bytes`` stays as printed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from math import isfinite
from zoneinfo import ZoneInfo

from mendwatch.model.observation import Activity, ActivityKind, LastActivity, LastOutcome

UNITS = {"": 0, "B": 0, "K": 1, "M": 2, "G": 3, "T": 4, "P": 5, "E": 6}
NICE = r"[0-9]{1,20}(?:[.,][0-9]{1,2})?[BKMGTPE]?"
COUNT = r"[0-9]{1,20}"
CTIME = r"\w{3} \w{3} [ \d]\d \d\d:\d\d:\d\d \d{4}"
LASTED = r"(?:\d{1,6}h\d{1,2}m|(?:\d{1,5} days )?\d\d:\d\d:\d\d)"
FIRST = (
    ("never", re.compile(r"none requested")),
    (
        "ended",
        re.compile(
            rf"(?P<word>(?:thorough )?scrub repaired|resilvered)(?: \((?P<top>.+?)\))? (?P<bytes>{NICE}) in "
            rf"(?P<lasted>{LASTED}) with (?P<errors>{COUNT}) errors on (?P<at>{CTIME})"
        ),
    ),
    (
        "cancelled",
        re.compile(rf"(?P<word>(?:thorough )?scrub|resilver)(?: \((?P<top>.+?)\))? canceled on (?P<at>{CTIME})"),
    ),
    (
        "running",
        re.compile(rf"(?P<word>(?:thorough )?scrub|resilver)(?: \((?P<top>.+?)\))? in progress since (?P<at>{CTIME})"),
    ),
    (
        "ended",
        re.compile(
            rf"(?P<word>scrub|resilver) completed after (?P<lasted>{LASTED}) "
            rf"with (?P<errors>{COUNT}) errors on (?P<at>{CTIME})"
        ),
    ),
    (
        "cancelled",
        re.compile(rf"(?P<word>scrub|resilver) stopped after {LASTED} with \d+ errors on (?P<at>{CTIME})"),
    ),
    ("paused", re.compile(r"(?P<word>(?:thorough )?scrub) paused since (?P<at>.+)")),
    ("error-running", re.compile(rf"error (?P<word>scrub) in progress since (?P<at>{CTIME})")),
    ("error-paused", re.compile(r"error (?P<word>scrub) paused since (?P<at>.+)")),
    (
        "error-ended",
        re.compile(rf"scrubbed \d+ error blocks in (?P<lasted>\d{{1,5}} days \d\d:\d\d:\d\d) on (?P<at>{CTIME})"),
    ),
    ("error-cancelled", re.compile(rf"error (?P<word>scrub) canceled on (?P<at>{CTIME})")),
)
OLD = re.compile(
    r"(?P<word>scrub|resilver) in progress(?: for \d+h\d+m)?, "
    r"(?P<percent>[\d.]+)% done, (?P<left>\d{1,6}h\d{1,2}m) to go"
)
NEXT = (
    re.compile(rf"(?:error )?scrub started on +(?P<started>{CTIME})"),
    re.compile(
        rf"(?P<scanned>{NICE}) / (?P<scan_total>{NICE}) scanned(?: at {NICE}/s)?, "
        rf"(?P<issued>{NICE}) / (?P<total>{NICE}) issued(?: at {NICE}/s)?"
    ),
    re.compile(
        rf"(?P<scanned>{NICE}) scanned(?: at {NICE}/s)?, (?P<issued>{NICE}) issued(?: (?:at )?{NICE}/s)?, "
        rf"(?P<total>{NICE}) total"
    ),
    re.compile(
        rf"(?P<issued>{NICE}) scanned out of (?P<total>{NICE})(?: at {NICE}/s)?"
        rf"(?:, (?P<left>{LASTED}) to go|, \(scan is slow, no estimated time\))?"
    ),
    re.compile(
        rf"(?P<written>{NICE}) (?:resilvered|repaired), (?P<percent>[\d.,]+|nan|inf)% done"
        rf"(?:, (?P<left>{LASTED}) to go|, no estimated completion time)?"
    ),
    re.compile(r"(?P<percent>[\d.,]+)% done, issued I/O for \d+ error blocks"),
)
COPYING = re.compile(
    rf"(?P<done>{NICE}) (?:/|copied out of) (?P<total>{NICE})(?: copied)? at {NICE}/s, "
    rf"(?P<percent>[\d.,]+|nan|inf)% done"
    rf"(?:, (?P<left>{LASTED}) to go|, (?P<paused>paused for resilver or clear)|, \(copy is slow, no estimated time\))?"
)
COPIES = re.compile(rf"(?:Evacuation of .+|expansion of .+) in progress since (?P<at>{CTIME})")
COPIED = re.compile(
    rf"(?:Removal of vdev|expanded) .+ copied (?P<bytes>{NICE}) in (?P<lasted>{LASTED}),?(?: completed)? "
    rf"on (?P<at>{CTIME})"
)
COPY_CANCELLED = re.compile(rf"Removal of .+ canceled on (?P<at>{CTIME})")
MAPPED = re.compile(rf"{NICE} memory used for removed device mappings")


@dataclass(frozen=True, slots=True)
class Scan:
    """One scan, running or ended. ``how`` is running, paused, finished or cancelled."""

    kind: ActivityKind
    word: str
    how: str
    started: datetime | None = None
    ended: datetime | None = None
    errors: int | None = None
    done: float | None = None
    done_bytes: int | None = None
    total_bytes: int | None = None
    native_s: float | None = None
    subject: str | None = None
    written: int | None = None
    pass_started: datetime | None = None
    counters: dict[str, int] = field(default_factory=dict)

    @property
    def goes_on(self) -> bool:
        """Whether it runs or is paused."""
        return self.how in {"running", "paused"}


def activity(scan: Scan, fills: tuple[str, ...], leaves: dict[str, int], *, suspended: bool) -> Activity:
    """The scan as an activity; ``leaves`` are the finest counters, what was written to each leaf."""
    rebuilds = scan.kind is ActivityKind.REBUILD
    # The tunable holds scrubs and healing resilvers; sequential ones and copies go on.
    held = suspended and scan.subject is None and scan.kind in {ActivityKind.REBUILD, ActivityKind.SCRUB}
    return Activity(
        kind=scan.kind,
        word=scan.word,
        running=scan.how == "running",
        paused=scan.how == "paused",
        started=scan.started,
        done=scan.done,
        done_bytes=scan.done_bytes,
        total_bytes=scan.total_bytes,
        native_seconds_left=scan.native_s if scan.how == "running" else None,
        errors=scan.errors,
        subject=scan.subject,
        fills=fills if rebuilds else (),
        counters={**scan.counters, **{f"leaf:{name}": count for name, count in leaves.items()}},
        pass_started=scan.pass_started,
        why_held="zfs_scan_suspend_progress is set" if held else "paused" if scan.how == "paused" else None,
    )


def last(scans: list[Scan]) -> LastActivity | None:
    """The scan that ended last."""
    ended = [scan for scan in scans if not scan.goes_on]
    if not ended:
        return None
    scan = max(ended, key=lambda one: one.ended or datetime.min.replace(tzinfo=UTC))
    outcome = LastOutcome.CANCELLED if scan.how == "cancelled" else LastOutcome.FINISHED
    if outcome is LastOutcome.FINISHED and scan.errors:
        outcome = LastOutcome.FINISHED_WITH_ERRORS
    return LastActivity(scan.kind, scan.word, outcome, scan.ended, scan.errors, scan.started, scan.written)


def from_text(lines: list[str], zone: str, label: str) -> tuple[Scan | None, list[int]]:
    """The scan that these lines tell (the first without its label), and the numbers of lines that were not read."""
    if label in {"expand", "remove"}:
        return _copying(lines, label, zone)
    first = lines[0].strip()
    if (old := OLD.fullmatch(first)) is not None:
        kind = ActivityKind.REBUILD if old["word"] == "resilver" else ActivityKind.SCRUB
        return Scan(kind, old["word"], "running", done=_percent(old["percent"]), native_s=seconds(old["left"])), []
    for how, form in FIRST:
        match = form.fullmatch(first)
        if match is not None:
            scan = _first(how, match, zone)
            return (scan, []) if scan is None else _more(scan, lines[1:], zone)
    return None, [0]


def _first(how: str, match: re.Match[str], zone: str) -> Scan | None:
    if how == "never":
        return None
    found = match.groupdict()
    at = when(found["at"], zone)
    word = "resilver" if (found.get("word") or "").startswith("resilver") else "scrub"
    kind = ActivityKind.REBUILD if word == "resilver" else ActivityKind.SCRUB
    how = how.removeprefix("error-")
    if how == "running":
        return Scan(kind, word, "running", started=at, subject=found.get("top"))
    if how == "paused":
        return Scan(kind, word, "paused")
    if how == "cancelled":
        return Scan(kind, word, "cancelled", ended=at, subject=found.get("top"))
    started = at - timedelta(seconds=seconds(found["lasted"])) if at is not None else None
    errors = int(found["errors"]) if found.get("errors") else 0
    written = nice(found["bytes"]) if found.get("bytes") else None
    return Scan(kind, word, "finished", started, at, errors, subject=found.get("top"), written=written)


def _more(scan: Scan, lines: list[str], zone: str) -> tuple[Scan, list[int]]:
    unread: list[int] = []
    for number, line in enumerate(lines, start=1):
        text = line.strip()
        match = next((found for form in NEXT if (found := form.fullmatch(text)) is not None), None)
        if match is None:
            if text:
                unread.append(number)
            continue
        scan = _take(scan, match.groupdict(), zone)
    return scan, unread


def _take(scan: Scan, found: dict[str, str | None], zone: str) -> Scan:
    counters = dict(scan.counters)
    for name, key in (("issued", "issued"), ("scanned", "scanned"), ("written", "processed")):
        text = found.get(name)
        if text is not None:
            counters[key] = nice(text)
    percent = found.get("percent")
    done = _percent(percent) if percent is not None else None
    if done is not None:
        counters["permyriad"] = round(done * 10000)
    started, issued, total = found.get("started"), found.get("issued"), found.get("total")
    left, written = found.get("left"), found.get("written")
    return replace(
        scan,
        started=when(started, zone) if started is not None else scan.started,
        done_bytes=nice(issued) if issued is not None else scan.done_bytes,
        total_bytes=nice(total) if total is not None else scan.total_bytes,
        done=done if done is not None else scan.done,
        native_s=seconds(left) if left is not None else scan.native_s,
        written=nice(written) if written is not None else scan.written,
        counters=counters,
    )


def _copying(lines: list[str], label: str, zone: str) -> tuple[Scan | None, list[int]]:
    """Expansion and removal, which fill no member; the words of one that has ended are from memory in part."""
    kind = ActivityKind.EXPAND if label == "expand" else ActivityKind.REMOVE
    word = "expansion" if label == "expand" else "removal"
    first = lines[0].strip()
    scan = None
    if (begun := COPIES.fullmatch(first)) is not None:
        scan = Scan(kind, word, "running", when(begun["at"], zone))
    elif (copied := COPIED.fullmatch(first)) is not None:
        ended = when(copied["at"], zone)
        started = ended - timedelta(seconds=seconds(copied["lasted"])) if ended is not None else None
        scan = Scan(kind, word, "finished", started, ended, written=nice(copied["bytes"]))
    elif (cancelled := COPY_CANCELLED.fullmatch(first)) is not None:
        scan = Scan(kind, word, "cancelled", ended=when(cancelled["at"], zone))
    unread = [0] if scan is None else []
    for number, line in enumerate(lines[1:], start=1):
        text = line.strip()
        match = COPYING.fullmatch(text)
        if match is not None and scan is not None and begun is not None:
            left = match["left"]
            scan = replace(
                scan,
                how="paused" if match["paused"] else "running",
                done=_percent(match["percent"]),
                done_bytes=nice(match["done"]),
                total_bytes=nice(match["total"]),
                native_s=seconds(left) if left else None,
                counters={"copied": nice(match["done"])},
            )
        elif text and MAPPED.fullmatch(text) is None:
            unread.append(number)
    return scan, unread


def nice(text: str) -> int:
    """A scaled number in bytes: ``6.31T``; the decimal sign follows the locale before 2.0."""
    unit = text[-1] if text[-1].isalpha() else ""
    return round(float(text.removesuffix(unit).replace(",", ".")) * float(1024 ** UNITS[unit]))


def seconds(text: str) -> float:
    """A duration: ``77h23m``, ``3 days 05:23:21``, ``05:23:21``."""
    if "h" in text:
        hours, _, minutes = text.removesuffix("m").partition("h")
        return int(hours) * 3600 + int(minutes) * 60
    days, _, clock = text.rpartition(" days ")
    hours, minutes, rest = clock.split(":")
    return int(days or 0) * 86400 + int(hours) * 3600 + int(minutes) * 60 + int(rest)


def when(text: str | None, zone: str) -> datetime | None:
    """A date as C's ctime prints it, in the zone of the tool; None if it is no date."""
    try:
        read = datetime.strptime(f"{text} +0000", "%a %b %d %H:%M:%S %Y %z")
        return read.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC)
    except ValueError:
        return None


def _percent(text: str) -> float | None:
    try:
        share = float(text.replace(",", ".")) / 100
    except ValueError:
        return None
    return share if isfinite(share) and share >= 0 else None
