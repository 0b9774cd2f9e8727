"""Commands that cost their host something are run only when something has changed, and hourly at most."""

import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from mendwatch.daemon.clock import SystemClock
from mendwatch.model.capture import Capture, CommandRead, Read
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import Command, Parser, Want
from mendwatch.parsers.dm_raid import PARSER
from mendwatch.sources.poll import Poller
from mendwatch.sources.run import Runner
from support.block_tree import BlockTree

HOUR_S = 3600.0
PROMPT, SELDOM = ("prompt",), ("seldom", "--report")


class HandClock:
    """Steady time that the test moves on by hand."""

    def __init__(self) -> None:
        self.seconds = 1000.0

    def now(self) -> datetime:
        return datetime.fromtimestamp(self.seconds, UTC)

    def ticks(self) -> float:
        return self.seconds

    def wait(self, seconds: float) -> None:
        self.seconds += seconds


class Asker:
    """A storage system of our own: what its costly command depends on is what its cheap one prints."""

    name = "asker"
    program = None
    present_if = ()

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        told = [read.stdout for read in reads if isinstance(read, CommandRead) and read.argv == PROMPT]
        return (Command(PROMPT), *(Command(SELDOM, seldom=text) for text in told))

    def parse(self, capture: Capture) -> Observation:
        return Observation(capture.at, capture.source)


class Host:
    """Programs in a folder of their own, a poller that finds only these, and a clock that stands still."""

    def __init__(self, folder: Path, parser: Parser, timeout_s: float = 10.0) -> None:
        self.folder = folder / "bin"
        self.folder.mkdir()
        self.clock = HandClock()
        self.tree = BlockTree(folder)
        # The programs are real, so their time limit is measured by the real clock.
        runner = Runner(SystemClock(), path=[str(self.folder), "/usr/bin", "/bin"])
        self.poller = Poller(
            parser, root=self.tree.root, runner=runner, program=None, timeout_s=timeout_s, clock=self.clock
        )

    def program(self, name: str, body: str) -> None:
        """Put a program there; each start of it leaves a line in its log."""
        path = self.folder / name
        path.write_text(f"#!/bin/sh\necho run >> {self.folder}/{name}.log\n{body}\n")
        path.chmod(0o755)

    def says(self, text: str) -> None:
        """What the cheap program prints from now on."""
        self.program("prompt", f"cat <<'EOF'\n{text}\nEOF")

    def runs(self, name: str) -> int:
        log = self.folder / f"{name}.log"
        return log.read_text().count("run") if log.exists() else 0

    def poll(self, after_s: float = 0.0) -> list[CommandRead]:
        """Poll once, later; the answers of the costly command."""
        self.clock.seconds += after_s
        return [read for read in self.poller.capture().commands() if read.argv[0] in {"seldom", "lvs"}]


@pytest.fixture
def host(tmp_path: Path) -> Host:
    host = Host(tmp_path, Asker())
    host.says("A")
    host.program("seldom", "echo told")
    return host


def test_it_is_run_at_the_first_poll_and_not_again_while_nothing_changes(host: Host) -> None:
    assert [read.stdout for read in host.poll()] == ["told\n"]
    assert [host.poll(after_s) for after_s in (30, HOUR_S, 24 * HOUR_S)] == [[], [], []]
    assert (host.runs("prompt"), host.runs("seldom")) == (4, 1)


def test_after_a_change_it_is_run_once_the_hour_is_over(host: Host) -> None:
    host.poll()
    host.says("B")
    assert host.poll(HOUR_S - 1) == []
    assert len(host.poll(1)) == 1
    assert host.poll(30) == []
    host.says("C")
    assert host.poll(HOUR_S - 31) == []
    assert len(host.poll(1)) == 1, "an hour after the last run, not after the change"


def test_a_change_that_is_undone_within_the_hour_needs_no_run(host: Host) -> None:
    host.poll()
    host.says("B")
    assert host.poll(60) == []
    host.says("A")
    assert host.poll(2 * HOUR_S) == []


def test_changes_at_every_poll_for_hours_run_it_once_an_hour(host: Host) -> None:
    for minute in range(0, 6 * 60, 10):
        host.says(str(minute))
        host.poll(600)
    assert host.runs("seldom") == 6


def test_one_that_fails_is_not_asked_again_before_something_changes(host: Host) -> None:
    host.program("seldom", "echo 'no lock' >&2; exit 5")
    (read,) = host.poll()
    assert (read.exit, read.stderr) == (5, "no lock\n")
    assert host.poll(2 * HOUR_S) == []
    host.says("B")
    assert len(host.poll()) == 1


def test_one_that_hangs_costs_one_time_limit_and_no_other_reading(tmp_path: Path) -> None:
    host = Host(tmp_path, Asker(), timeout_s=0.3)
    host.says("A")
    host.program("seldom", "exec sleep 60")
    began = time.monotonic()
    (read,) = host.poll()
    assert (read.exit, read.error) == (None, "no answer within 0.3 s")
    assert host.poll(2 * HOUR_S) == []
    assert time.monotonic() - began < 5
    assert host.runs("prompt") == 2


def test_one_that_could_not_be_started_is_tried_again_after_an_hour(host: Host) -> None:
    (host.folder / "seldom").unlink()
    (read,) = host.poll()
    assert "not installed" in (read.error or "")
    assert host.poll(HOUR_S - 1) == []
    assert "not installed" in (host.poll(1)[0].error or "")
    host.program("seldom", "echo told")
    assert [read.stdout for read in host.poll(HOUR_S)] == ["told\n"]
    assert host.poll(24 * HOUR_S) == []


# The form of the outputs: dm-raid.rst, lvs(8).
LVS = """cat <<'EOF'
{"report": [{"lv": [{"lv_uuid": "QwErTy-UiOp-AsDf-GhJk-LzXc-VbNm-012345", "vg_name": "books", "lv_name": "mir"}]}]}
EOF"""


def dmsetup(host: Host, *lines: str) -> None:
    status = "\n".join(lines)
    host.program("dmsetup", f"[ \"$1\" = table ] || cat <<'EOF'\n{status}\nEOF")


@pytest.fixture
def volumes(tmp_path: Path) -> Host:
    host = Host(tmp_path, PARSER)
    host.program("lvs", LVS)
    return host


def test_the_report_of_lvm_follows_the_letters_and_not_the_ratio(volumes: Host) -> None:
    dmsetup(volumes, "books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -")
    (read,) = volumes.poll()
    assert (read.exit, read.argv[:2]) == (0, ("lvs", "-a"))
    dmsetup(volumes, "books-mir: 0 800 raid raid1 2 Aa 100/800 recover 0 0 -")
    assert len(volumes.poll(HOUR_S)) == 1
    for done in range(200, 800, 100):
        dmsetup(volumes, f"books-mir: 0 800 raid raid1 2 Aa {done}/800 recover 0 0 -")
        assert volumes.poll(2 * HOUR_S) == []
    dmsetup(volumes, "books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -")
    assert len(volumes.poll(HOUR_S)) == 1


def without_volumes(host: Host) -> None:
    dmsetup(host, "No devices found")


def refused(host: Host) -> None:
    host.program("dmsetup", "echo 'Permission denied' >&2; exit 1")


def suspended(host: Host) -> None:
    dmsetup(host, "books-mir: 0 800 raid raid1 2 AA 800/800 idle 0 0 -")
    files = {"name": "books-mir\n", "uuid": "LVM-x\n", "suspended": "1\n"}
    host.tree.attributes(host.tree.root, {f"sys__block__dm-4__dm__{name}": text for name, text in files.items()})


@pytest.mark.parametrize("arrange", [without_volumes, refused, suspended])
def test_lvm_is_not_asked_where_it_could_tell_nothing_or_would_wait(
    volumes: Host, arrange: Callable[[Host], None]
) -> None:
    arrange(volumes)
    assert volumes.poll() == []
    assert volumes.runs("lvs") == 0


@pytest.mark.parametrize("body", ["exit 5", "echo garbage", None])
def test_a_report_that_fails_leaves_the_source_sighted(volumes: Host, body: str | None) -> None:
    dmsetup(volumes, "books-mir: 0 800 raid raid1 2 AD 800/800 idle 0 0 -")
    if body is None:
        (volumes.folder / "lvs").unlink()
    else:
        volumes.program("lvs", body)
    seen = PARSER.parse(volumes.poller.capture())
    assert [(array.name, array.redundancy_left) for array in seen.arrays] == [("books/mir", 0)]
    assert (seen.error, seen.complete) == (None, True)
