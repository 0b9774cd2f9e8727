"""One poll: rounds of reads, files below a root, hangs, and what stands behind the members."""

import os
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from mendwatch.daemon.clock import SystemClock
from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Array, IdKind, Member, Observation, Role
from mendwatch.model.plugin import Command, File, Files, Want
from mendwatch.sources.files import Files as StatusFiles
from mendwatch.sources.guard import Guard, Hung
from mendwatch.sources.poll import Poller
from mendwatch.sources.run import Runner
from support.block_tree import BlockTree


class Lister:
    """A storage system of our own: a first command says which files to read, members are named by a file."""

    name = "lister"
    program = "lister"
    present_if = ("/proc/lister", "/sys/module/lister*")

    def __init__(self, rounds: Callable[[tuple[Read, ...]], tuple[Want, ...]]) -> None:
        self._rounds = rounds
        self.broken = False

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        return self._rounds(reads)

    def parse(self, capture: Capture) -> Observation:
        if self.broken:
            message = "not ours"
            raise ParseError(message)
        names = (capture.file("/proc/lister") or "").split()
        members = tuple(Member(name, Role.DATA, None, None, "ok", good=True, rebuilding=False) for name in names)
        one = Array(
            name="one",
            id="one",
            id_kind=IdKind.NAME,
            system="lister",
            level="mirror",
            state="ok",
            redundancy_full=1,
            redundancy_left=1,
            why_unknown=None,
            spares_free=0,
            data_errors=None,
            members=members,
            activities=(),
            last_activity=None,
        )
        return Observation(capture.at, capture.source, (one,))


def poller(tree: BlockTree, parser: Lister, program: str | None = None, timeout_s: float = 5.0) -> Poller:
    clock = SystemClock()
    return Poller(parser, root=tree.root, runner=Runner(clock), program=program, timeout_s=timeout_s, clock=clock)


@pytest.fixture
def tree(tmp_path: Path) -> BlockTree:
    return BlockTree(tmp_path)


def script(tree: BlockTree, body: str) -> str:
    path = tree.root / "tool"
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(0o755)
    return str(path)


def test_rounds_go_on_until_nothing_new_is_wanted(tree: BlockTree) -> None:
    tree.attributes(tree.root, {"proc__lister": "sda", "sys__a__1": "x", "sys__a__2": "y", "sys__b": "z"})

    def rounds(reads: tuple[Read, ...]) -> tuple[Want, ...]:
        wants: tuple[Want, ...] = (Command(("lister", "--exact")), File("/proc/lister"), Files("/sys/a/*"))
        if any(isinstance(read, CommandRead) and read.exit == 2 for read in reads):
            wants += (Command(("lister", "--plain")), File("/proc/lister"), Files("/sys/*"))
        return wants

    path = script(tree, 'echo "$1"; [ "$1" = --plain ] || exit 2')
    capture = poller(tree, Lister(rounds), path).capture()
    told = [read.argv if isinstance(read, CommandRead) else read.path for read in capture.reads]
    assert told[:6] == [
        ("lister", "--exact"),
        "/proc/lister",
        "/sys/a/1",
        "/sys/a/2",
        ("lister", "--plain"),
        "/sys/a",
    ]
    assert len(told) == len(set(told))
    assert [(read.exit, read.stdout) for read in capture.commands()] == [(2, "--exact\n"), (0, "--plain\n")]
    assert capture.file("/sys/a/2") == "y\n"
    assert capture.file("/sys/b") == "z\n"


def test_a_parser_that_never_has_enough_is_stopped(tree: BlockTree) -> None:
    capture = poller(tree, Lister(lambda reads: (File(f"/proc/{len(reads)}"),))).capture()
    assert [read.path for read in capture.files()] == [f"/proc/{number}" for number in range(5)]


def test_the_owner_s_program_is_run_for_the_parser_s_own_commands_only(tree: BlockTree) -> None:
    wants = (Command(("lister", "x")), Command(("other-tool", "x")))
    path = script(tree, "echo mine")
    first, second = poller(tree, Lister(lambda _: wants), path).capture().commands()
    assert (first.argv, first.stdout) == (("lister", "x"), "mine\n")
    assert "not installed" in str(second.error)


def test_a_poll_is_stamped_at_its_end_and_by_the_kernel(tree: BlockTree) -> None:
    path = script(tree, "sleep 0.3")
    started = datetime.now(UTC)
    capture = poller(tree, Lister(lambda _: (Command(("lister",)),)), path).capture()
    assert (capture.at - started).total_seconds() >= 0.3
    assert (capture.source, capture.zone) == ("lister", "UTC")
    assert (capture.boot, capture.up) == ("2f1c7a1e-0000-4000-8000-000000000001", 4321.5)


def test_a_host_that_tells_neither_boot_nor_uptime_leaves_them_unknown(tree: BlockTree) -> None:
    (tree.root / "proc/sys/kernel/random/boot_id").unlink()
    (tree.root / "proc/uptime").write_text("soon\n")
    capture = poller(tree, Lister(lambda _: ())).capture()
    assert (capture.boot, capture.up) == (None, None)


def test_the_drives_behind_the_members_are_told(tree: BlockTree) -> None:
    tree.disk("sda", serial="EX-1")
    tree.disk("sdb")
    tree.partition("sda", "sda1")
    tree.attributes(tree.root, {"proc__lister": "sda1 lost"})
    capture = poller(tree, Lister(lambda _: (File("/proc/lister"),))).capture()
    assert capture.links == {"sda1": ("sda",)}
    assert (list(capture.disks), list(capture.partitions), list(capture.drives)) == (["sda"], ["sda1"], ["sda"])
    assert capture.drives["sda"].serial == "EX-1"


def test_what_the_parser_does_not_understand_is_kept_without_drives(tree: BlockTree) -> None:
    tree.disk("sda")
    tree.attributes(tree.root, {"proc__lister": "sda"})
    parser = Lister(lambda _: (File("/proc/lister"),))
    parser.broken = True
    capture = poller(tree, parser).capture()
    assert (capture.file("/proc/lister"), capture.disks) == ("sda\n", {})


def test_presence_is_seen_by_any_of_the_paths(tree: BlockTree) -> None:
    looker = poller(tree, Lister(lambda _: ()))
    assert not looker.present()
    (tree.root / "sys/module/lister2").mkdir(parents=True)
    assert looker.present()


def test_the_kernel_of_this_host_is_read(tmp_path: Path) -> None:
    clock = SystemClock()
    wants = (File("/proc/version"), Files("/proc/sys/kernel/os*"))
    looker = Poller(Lister(lambda _: wants), root="/", runner=Runner(clock), program=None, timeout_s=5.0, clock=clock)
    capture = looker.capture()
    assert capture.file("/proc/version") == Path("/proc/version").read_text()
    assert capture.file("/proc/sys/kernel/ostype") == "Linux\n"
    assert capture.boot == Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    assert capture.up == pytest.approx(time.clock_gettime(time.CLOCK_BOOTTIME), abs=2)


def test_files_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    (tmp_path / "big").write_text("x" * 101)
    (tmp_path / "whole").write_text("x" * 100)
    (tmp_path / "odd").write_bytes(b"a\xff\0b")
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    files = StatusFiles(SystemClock(), tmp_path, limit_bytes=100)
    names = ("/big", "/whole", "/odd", "/folder", "/absent", "/pipe", "/a\0b")
    told = {read.path: (read.text, read.error) for read in files.read_all(names)}
    assert told == {
        "/big": (None, "larger than 100 bytes"),
        "/whole": ("x" * 100, None),
        "/odd": ("a\\xff\0b", None),
        "/folder": (None, "Is a directory"),
        "/absent": (None, "No such file or directory"),
        "/pipe": ("", None),
        "/a\0b": (None, "embedded null byte"),
    }


def test_globs_stay_below_the_root_and_are_in_order(tmp_path: Path) -> None:
    for name in ("sys/block/md1/md/level", "sys/block/md0/md/level", "sys/block/sda/size"):
        (tmp_path / name).parent.mkdir(parents=True)
        (tmp_path / name).write_text("x")
    files = StatusFiles(SystemClock(), tmp_path)
    assert files.find("/sys/block/md*/md/level") == ("/sys/block/md0/md/level", "/sys/block/md1/md/level")
    assert files.find("/sys/nothing/*") == ()
    assert files.find("/sys/block/sda/size") == ("/sys/block/sda/size",)


def test_a_piece_of_work_that_hangs_is_left_alone_and_the_rest_is_done() -> None:
    release = threading.Event()
    calls: list[str] = []

    def hang() -> str:
        calls.append("hang")
        release.wait(20)
        return "late"

    work: dict[str, Callable[[], str]] = {"a": lambda: "first", "b": hang, "c": lambda: "third"}
    guard = Guard(SystemClock(), timeout_s=0.1)
    started = time.monotonic()
    answers = guard.run(work)
    assert time.monotonic() - started < 1
    hung = answers["b"]
    assert isinstance(hung, Hung)
    assert (answers["a"], answers["c"]) == ("first", "third")

    started = time.monotonic()
    again = guard.run(work)
    assert time.monotonic() - started < 0.1
    assert again["b"] == hung
    assert calls == ["hang"]

    release.set()
    until = time.monotonic() + 2
    while isinstance(guard.run(work)["b"], Hung) and time.monotonic() < until:
        time.sleep(0.01)
    assert guard.run(work) == {"a": "first", "b": "late", "c": "third"}


def test_what_work_raises_is_raised_where_it_was_asked_for() -> None:
    def fail() -> str:
        message = "broken"
        raise KeyError(message)

    with pytest.raises(KeyError, match="broken"):
        Guard(SystemClock()).run({"a": fail})


def test_a_read_that_hangs_is_told_with_its_age(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel's hang is stood in for by a system call that waits: no file here really hangs."""
    (tmp_path / "stuck").write_text("x")
    (tmp_path / "fine").write_text("y")
    release = threading.Event()
    really = os.open

    def slow(path: Path, flags: int) -> int:
        if str(path).endswith("stuck"):
            release.wait(20)
        return really(path, flags)

    monkeypatch.setattr("os.open", slow)
    files = StatusFiles(SystemClock(), tmp_path, timeout_s=0.1)
    stuck, fine = files.read_all(("/stuck", "/fine"))
    assert fine == FileRead("/fine", "y")
    assert stuck.text is None
    assert "hangs since 20" in str(stuck.error)
    release.set()
