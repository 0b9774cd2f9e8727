"""The demo's story: a botanical garden's server that loses two drives in one year. All of it is invented."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.simulator import Kind, Scenario, captures

HOST = "herbarium-1"
POOL = "sheets"
SETTING = (
    "A botanical garden keeps the scans of its pressed plants on herbarium-1: the pool",
    '"sheets", eight drives of 10 TB, double parity. The policy: a window in which only',
    "one more loss is survived may last three days.",
)
POLICY = 'window_limit = { left_0 = "24h", left_1 = "3d" }'

_BOOT = "8d1f0a52-5c0b-4b8e-9a43-2f1f4f9f6e07"
_POWERED_ON = datetime(2026, 1, 12, 6, 30, tzinfo=UTC)
# Serial numbers follow the seed's last three digits, so that both acts tell of the same drives.
_SPRING, _SUMMER = 4021, 9021
_COMMON = Scenario(
    system="zfs",
    drives=8,
    size_bytes=10 * 10**12,
    allocated=0.62,
    level="raidz2",
    host=HOST,
    array=POOL,
    office_load=0.06,
    zone="Europe/Lisbon",
)


@dataclass(frozen=True, slots=True)
class Act:
    """One replacement: what it is about, in the words of the terminal, and how it goes."""

    title: str
    scenario: Scenario


SPRING = Act(
    "Spring: a drive dies, and a conventional one of the same make takes its place.",
    replace(_COMMON, seed=_SPRING, start=datetime(2026, 3, 3, 7, 40, tzinfo=UTC), wait_s=50 * 60.0),
)
SUMMER = Act(
    "Summer: another one dies. The shop sends a cheaper drive; nobody reads the data sheet.",
    replace(
        _COMMON,
        kind=Kind.SHINGLED,
        seed=_SUMMER,
        start=datetime(2026, 7, 21, 9, 5, tzinfo=UTC),
        wait_s=95 * 60.0,
        until=datetime(2026, 7, 21, 20, 0, tzinfo=UTC),
    ),
)


def played(act: Act) -> Iterator[Capture]:
    """The polls of an act; both are of one host that was never booted in between."""
    names = _renamed() if act is SUMMER else {}
    for capture in captures(act.scenario):
        yield replace(
            capture,
            boot=_BOOT,
            up=(capture.at - _POWERED_ON).total_seconds(),
            reads=tuple(_read(read, names) for read in capture.reads),
            links={names.get(name, name): disks for name, disks in capture.links.items()},
        )


def _renamed() -> dict[str, str]:
    """In summer the drive that came in spring stands where the dead one was."""
    scenario = SPRING.scenario
    left = next(capture.links for capture in captures(scenario) if len(capture.links) < scenario.drives)
    lost = next(drive.name for drive in scenario.members() if drive.name not in left)
    return {lost: scenario.replacement().name}


def _read(read: Read, names: dict[str, str]) -> Read:
    match read:
        case CommandRead():
            return replace(read, stdout=_text(read.stdout, names))
        case FileRead():
            return read


def _text(text: str, names: dict[str, str]) -> str:
    for old, new in names.items():
        text = text.replace(old, new)
    return text
