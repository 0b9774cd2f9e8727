"""Commands are run for real: small programs that print, hang, flood, leave children behind, or cannot be killed."""

import contextlib
import fcntl
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import pytest

from mendwatch.daemon.clock import SystemClock
from mendwatch.model.capture import CommandRead
from mendwatch.sources.run import Runner

Program = Callable[..., str]


@pytest.fixture
def program(tmp_path: Path) -> Program:
    def make(body: str, name: str = "tool", interpreter: str = "/bin/sh") -> str:
        path = tmp_path / "bin" / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(f"#!{interpreter}\n{body}\n")
        path.chmod(0o755)
        return str(path)

    return make


@pytest.fixture
def runner() -> Runner:
    return Runner(SystemClock(), limit_bytes=100_000)


def alive(pid: int) -> bool:
    try:
        return (Path("/proc") / str(pid) / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def gone(pid: int, within_s: float = 2.0) -> bool:
    until = time.monotonic() + within_s
    while alive(pid) and time.monotonic() < until:
        time.sleep(0.02)
    return not alive(pid)


def test_what_is_printed_and_the_exit_are_kept(runner: Runner, program: Program) -> None:
    path = program("printf 'one\\n'; printf 'two\\n' >&2; exit 3")
    read = runner.run(("tool", "status"), path)
    assert (read.argv, read.exit, read.stdout, read.stderr, read.error) == (
        ("tool", "status"),
        3,
        "one\n",
        "two\n",
        None,
    )
    assert read.seconds is not None
    assert 0 < read.seconds < 5


def test_a_bare_name_is_found_on_the_fixed_path_only(
    tmp_path: Path, program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = program("echo mine")
    monkeypatch.setenv("PATH", str(Path(path).parent))
    clock = SystemClock()
    assert "not installed" in str(Runner(clock).run(("tool",)).error)
    assert Runner(clock, path=(str(Path(path).parent),)).run(("tool",)).stdout == "mine\n"


def test_the_environment_is_empty_but_for_what_makes_output_alike(
    runner: Runner, program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SECRET_TOKEN", "x")
    monkeypatch.setenv("LC_ALL", "de_DE.UTF-8")
    path = program(
        "import os, sys\nprint(sorted(os.environ.items()))\nprint(os.getcwd(), repr(sys.stdin.read()))",
        interpreter=sys.executable,
    )
    first, second = runner.run(("tool",), path).stdout.splitlines()
    environment = dict(eval(first))
    environment.pop("LC_CTYPE", None)  # set by the interpreter itself
    assert environment == {
        "LC_ALL": "C",
        "PATH": "/usr/local/sbin:/usr/sbin:/sbin:/usr/local/bin:/usr/bin:/bin",
        "TZ": "UTC0",
        "ZFS_MODULE_TIMEOUT": "0",
    }
    assert second == "/ ''"


def test_arguments_reach_the_program_as_they_are(runner: Runner, program: Program) -> None:
    path = program('for one in "$@"; do printf "<%s>" "$one"; done')
    assert runner.run(("tool", "a b", "$(id)", ";", "*"), path).stdout == "<a b><$(id)><;><*>"


@pytest.mark.parametrize(
    ("prepare", "told"),
    [
        (lambda path: path.unlink(), "No such file"),
        (lambda path: path.chmod(0o644), "Permission denied"),
        (lambda path: path.write_bytes(b"\x00\x01"), "Exec format error"),
    ],
)
def test_a_program_that_cannot_be_run_is_told(
    runner: Runner, program: Program, prepare: Callable[[Path], object], told: str
) -> None:
    path = program("true")
    prepare(Path(path))
    read = runner.run(("tool",), path)
    assert (read.exit, read.stdout) == (None, "")
    assert told in str(read.error)
    assert path in str(read.error)


def test_a_signal_is_told(runner: Runner, program: Program) -> None:
    read = runner.run(("tool",), program("echo half; kill -SEGV $$"))
    assert (read.exit, read.stdout, read.error) == (None, "half\n", "ended by signal 11")


def test_bytes_that_are_no_utf8_do_no_harm(runner: Runner, program: Program) -> None:
    assert runner.run(("tool",), program("printf 'a\\377b\\000c'")).stdout == "a\\xffb\x00c"


def test_one_that_hangs_is_ended_with_what_it_printed(runner: Runner, program: Program) -> None:
    started = time.monotonic()
    read = runner.run(("tool",), program("echo $$; exec sleep 60"), timeout_s=0.3)
    assert time.monotonic() - started < 2
    assert (read.exit, read.error) == (None, "no answer within 0.3 s")
    assert not alive(int(read.stdout))


def test_one_that_ignores_the_polite_signal_is_killed_with_its_children(runner: Runner, program: Program) -> None:
    body = "trap '' TERM; sleep 60 & echo $$ $!; while :; do sleep 60; done"
    started = time.monotonic()
    read = runner.run(("tool",), program(body), timeout_s=0.3)
    assert time.monotonic() - started < 4
    assert read.error == "no answer within 0.3 s"
    parent, child = map(int, read.stdout.split())
    assert gone(parent)
    assert gone(child)


def test_a_flood_is_cut_and_ended(runner: Runner, program: Program) -> None:
    started = time.monotonic()
    read = runner.run(("tool",), program("echo $$; exec yes"), timeout_s=30)
    assert time.monotonic() - started < 5
    assert read.exit is None
    assert len(read.stdout) == 100_000
    assert read.error == "printed more than 100000 bytes; cut there"
    assert not alive(int(read.stdout.split()[0]))


def test_a_flood_on_the_error_output_is_cut_too(runner: Runner, program: Program) -> None:
    read = runner.run(("tool",), program("exec yes >&2"), timeout_s=30)
    assert (read.stdout, len(read.stderr)) == ("", 100_000)


def test_much_on_both_outputs_at_once_does_not_block(runner: Runner, program: Program) -> None:
    body = "import sys\nfor _ in range(900):\n    sys.stderr.write('e' * 100)\n    sys.stdout.write('o' * 100)"
    read = runner.run(("tool",), program(body, interpreter=sys.executable))
    assert (read.exit, len(read.stdout), len(read.stderr)) == (0, 90_000, 90_000)


def test_a_child_that_holds_the_output_open_holds_up_nobody(runner: Runner, program: Program) -> None:
    started = time.monotonic()
    read = runner.run(("tool",), program("sleep 60 & echo $!; exit 0"), timeout_s=30)
    assert time.monotonic() - started < 3
    assert (read.exit, read.error) == (0, None)
    assert gone(int(read.stdout))


def test_one_that_closes_its_outputs_and_stays_is_ended_in_time(runner: Runner, program: Program) -> None:
    read = runner.run(("tool",), program("echo $$; exec >&- 2>&-; sleep 60"), timeout_s=0.3)
    assert read.error == "no answer within 0.3 s"
    assert not alive(int(read.stdout))


def test_the_same_command_never_runs_twice_at_a_time(runner: Runner, program: Program, tmp_path: Path) -> None:
    path = program(f"echo x >> {tmp_path}/starts; sleep 1")
    first = threading.Thread(target=runner.run, args=(("tool", "a"), path))
    first.start()
    while not (tmp_path / "starts").exists():
        time.sleep(0.01)
    again = runner.run(("tool", "a"), path)
    assert again.exit is None
    assert "still running since 20" in str(again.error)
    first.join()
    assert (tmp_path / "starts").read_text() == "x\n"
    assert runner.run(("tool", "a"), path).exit == 0


def test_no_process_and_no_file_is_left_over(runner: Runner, program: Program) -> None:
    me = psutil.Process()
    before = (me.num_fds(), me.children(recursive=True))
    for body in ("true", "exec sleep 60", "exec yes", "sleep 60 &"):
        runner.run(("tool",), program(body), timeout_s=0.2)
    runner.run(("tool",), "/nowhere")
    assert (me.num_fds(), me.children(recursive=True)) == before


# A process that waits in the kernel and cannot be killed: it writes to a filesystem that was frozen.
_FREEZE, _THAW = 0xC0045877, 0xC0045878  # FIFREEZE, FITHAW: linux/fs.h


@pytest.fixture
def freezer(tmp_path: Path) -> Iterator[tuple[Path, Callable[[int], int]]]:
    """A small filesystem of our own that can be frozen."""
    if os.geteuid() != 0 or shutil.which("mkfs.ext4") is None:
        pytest.skip("needs root and mkfs.ext4 for a filesystem that can be frozen")
    image, mount = tmp_path / "image", tmp_path / "mount"
    mount.mkdir()
    with image.open("wb") as stream:
        stream.truncate(16 * 1024 * 1024)
    subprocess.run(["mkfs.ext4", "-q", image], check=True)
    done = subprocess.run(["mount", "-o", "loop", image, mount], check=False, capture_output=True, text=True)
    if done.returncode:
        pytest.skip(f"no loop mount here: {done.stderr.strip()}")
    handle = os.open(mount, os.O_RDONLY)
    try:
        yield mount, lambda what: fcntl.ioctl(handle, what, 0)
    finally:
        with contextlib.suppress(OSError):  # thawed already
            fcntl.ioctl(handle, _THAW, 0)
        os.close(handle)
        for _ in range(50):
            if subprocess.run(["umount", mount], check=False, capture_output=True).returncode == 0:
                break
            time.sleep(0.1)


@pytest.mark.root
def test_one_that_cannot_be_killed_is_left_alone_and_picked_up_later(
    runner: Runner, program: Program, freezer: tuple[Path, Callable[[int], int]]
) -> None:
    mount, freeze = freezer
    path = program(f"echo $$; exec touch {mount}/new")
    freeze(_FREEZE)
    started = time.monotonic()
    read = runner.run(("tool",), path, timeout_s=0.3)
    assert time.monotonic() - started < 4
    pid = int(read.stdout)
    assert (Path("/proc") / str(pid) / "stat").read_text().rpartition(")")[2].split()[0] == "D"
    assert read.exit is None
    assert read.error == f"no answer within 0.3 s; it cannot be ended (pid {pid}) and is left alone"

    started = time.monotonic()
    again = runner.run(("tool",), path, timeout_s=0.3)
    assert time.monotonic() - started < 0.2
    assert again.exit is None
    assert f"(pid {pid})" in str(again.error)
    other = runner.run(("tool", "other"), program("echo fine", name="other"))
    assert other.stdout == "fine\n"

    freeze(_THAW)
    assert gone(pid)
    back = runner.run(("tool",), program(f"exec touch {mount}/newer"), timeout_s=5)
    assert (back.exit, back.error) == (0, None)
    assert not Path(f"/proc/{pid}").exists()


def test_a_runner_used_by_many_threads_keeps_their_answers_apart(runner: Runner, program: Program) -> None:
    path = program('sleep 0.05; echo "$1"')
    reads: dict[str, CommandRead] = {}

    def ask(name: str) -> None:
        reads[name] = runner.run(("tool", name), path)

    threads = [threading.Thread(target=ask, args=(str(number),)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert {name: read.stdout for name, read in reads.items()} == {str(n): f"{n}\n" for n in range(8)}


def test_children_start_with_signals_as_they_should_be(runner: Runner, program: Program) -> None:
    """A tool that writes into a closed pipe must die of it, as in a shell."""
    path = program("grep ^SigIgn /proc/self/status")
    ignored = int(runner.run(("tool",), path).stdout.split()[1], 16)
    assert not ignored & (1 << (signal.SIGPIPE - 1))
