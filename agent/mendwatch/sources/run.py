"""The only place that starts a process: reading commands, with a time limit and bounded output."""

from __future__ import annotations

import os
import selectors
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import IO, TypeAlias

from mendwatch.model.capture import CommandRead
from mendwatch.model.clock import Clock
from mendwatch.sources.account import Account, account_for, changeable

FIXED_PATH = ("/usr/local/sbin", "/usr/sbin", "/sbin", "/usr/local/bin", "/usr/bin", "/bin")

# Nothing of our own environment reaches a tool: its words, dates and numbers must be the same on every host.
# ZFS_MODULE_TIMEOUT: without the kernel module the tool would wait for ten seconds before it says so.
_ENVIRONMENT = {"LC_ALL": "C", "TZ": "UTC0", "ZFS_MODULE_TIMEOUT": "0"}

_TERM_GRACE_S = 1.0
_KILL_GRACE_S = 1.0
_LOOK_S = 0.1  # how often we look whether a process has ended that leaves its output open
_END_S = 0.01  # the same once its output is closed, when the end is near
_CHUNK_BYTES = 64 * 1024


_Key: TypeAlias = tuple[str, tuple[str, ...]]  # the program and what it is called with


@dataclass(slots=True)
class _Living:
    """A command that was started; ``process`` is None while the kernel is still about to start it."""

    since: datetime
    process: subprocess.Popen[bytes] | None = None


class Runner:
    """Runs reading commands, each in a process group of its own.

    A process that does not end even when killed (it waits in the kernel for a device) is left alone: the same command
    is not started a second time while it lives, and the process is picked up once it returns.

    Args:
        clock: times the limit.
        path: the directories in which programs are looked for.
        limit_bytes: how much of each output is kept.
    """

    def __init__(self, clock: Clock, path: Sequence[str] = FIXED_PATH, limit_bytes: int = 8 * 1024 * 1024) -> None:
        self._clock = clock
        self._path = os.pathsep.join(path)
        self._limit_bytes = limit_bytes
        self._living: dict[_Key, _Living] = {}
        self._lock = threading.Lock()

    def find(self, name: str) -> str | None:
        """The absolute path of a program, None if it is not on the fixed path."""
        return shutil.which(name, path=self._path)

    def run(
        self, argv: tuple[str, ...], program: str | None = None, timeout_s: float = 20.0, user: str | None = None
    ) -> CommandRead:
        """Run one command and say what it printed, or why it gave no answer; never raises for what a tool does.

        Args:
            argv: the bare name and the arguments, as the recording keeps them.
            program: the absolute path to run in place of the one that is found on the fixed path.
            timeout_s: after this time the command is ended.
            user: the account without rights to run it as; root then refuses a program that others could replace. None:
                our own.
        """
        path = program or self.find(argv[0])
        if path is None:
            return CommandRead(argv, None, error=f"{argv[0]} is not installed (looked in {self._path})")
        living = _Living(self._clock.now())
        key = (path, argv)
        with self._lock:
            earlier = self._living.get(key)
            if earlier is not None and _lives(earlier):
                return CommandRead(argv, None, error=_still_running(earlier))
            self._living[key] = living
        started = self._clock.ticks()
        try:
            # Not under the lock: starting, too, can hang, if the program lies on a device that does.
            process = self._start(argv, path, _account(path, user))
        except (OSError, ValueError, LookupError) as error:
            self._forget(key)
            return CommandRead(argv, None, error=f"{path} cannot be run: {_reason(error)}")
        living.process = process
        try:
            read = self._read(argv, process, started, timeout_s)
        except BaseException:
            _signal(process, signal.SIGKILL)  # stopped by hand: the tool must not go on without us
            raise
        if process.poll() is not None:
            self._forget(key)
        return read

    def _start(self, argv: tuple[str, ...], path: str, account: Account | None) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            argv,
            executable=path,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={"PATH": self._path, **_ENVIRONMENT},
            cwd="/",
            start_new_session=True,
            user=None if account is None else account.uid,
            group=None if account is None else account.gid,
            extra_groups=None if account is None else (),
        )

    def _forget(self, key: _Key) -> None:
        with self._lock:
            del self._living[key]

    def _read(
        self, argv: tuple[str, ...], process: subprocess.Popen[bytes], started: float, timeout_s: float
    ) -> CommandRead:
        with _Output(process, self._limit_bytes) as output:
            why = self._follow(process, output, started + timeout_s, timeout_s)
            if why is not None and not self._end(process, output):
                why += f"; it cannot be ended (pid {process.pid}) and is left alone"
            elif output.open:
                # What outlived the command holds its output open. The number of the group is safe to use: the command
                # itself was not waited for yet.
                _signal(process, signal.SIGKILL)
            code = process.poll()
            if why is None and code is not None and code < 0:
                why = f"ended by signal {-code}"
            return CommandRead(
                argv,
                None if why is not None else code,
                output.text(0),
                output.text(1),
                self._clock.ticks() - started,
                why,
            )

    def _follow(
        self, process: subprocess.Popen[bytes], output: _Output, deadline: float, timeout_s: float
    ) -> str | None:
        """Read until the command ends; the reason if it must be ended."""
        while True:
            if output.full:
                return f"printed more than {self._limit_bytes} bytes; cut there"
            if self._clock.ticks() >= deadline:
                return f"no answer within {timeout_s:g} s"
            ended = _ended(process)
            if not output.pump(0.0 if ended else _LOOK_S if output.open else _END_S) and ended:
                return None

    def _end(self, process: subprocess.Popen[bytes], output: _Output) -> bool:
        """Ask the command to end, then kill it; False if it lives on."""
        for number, grace_s in ((signal.SIGTERM, _TERM_GRACE_S), (signal.SIGKILL, _KILL_GRACE_S)):
            _signal(process, number)
            until = self._clock.ticks() + grace_s
            while self._clock.ticks() < until:
                if _ended(process):
                    _signal(process, signal.SIGKILL)  # to those of its group that took the first signal lightly
                    return True
                output.pump(_END_S)
        return _ended(process)


class _Output:
    """What a process prints on both its outputs, up to a limit."""

    def __init__(self, process: subprocess.Popen[bytes], limit_bytes: int) -> None:
        self._limit_bytes = limit_bytes
        self._selector = selectors.DefaultSelector()
        self._kept: list[bytearray] = []
        self._streams: list[IO[bytes]] = []
        for index, stream in enumerate((process.stdout, process.stderr)):
            if stream is not None:
                os.set_blocking(stream.fileno(), False)
                self._selector.register(stream, selectors.EVENT_READ, index)
                self._streams.append(stream)
            self._kept.append(bytearray())
        self.full = False

    @property
    def open(self) -> bool:
        """Whether someone can still print."""
        return bool(self._selector.get_map())

    def pump(self, wait_s: float) -> bool:
        """Take in what was printed, waiting this long for more; False if there was nothing."""
        events = self._selector.select(wait_s)
        for key, _ in events:
            try:
                chunk = os.read(key.fd, _CHUNK_BYTES)
            except BlockingIOError:
                continue
            if not chunk:
                self._selector.unregister(key.fileobj)
                continue
            kept = self._kept[key.data]
            kept += chunk[: self._limit_bytes - len(kept)]
            self.full = self.full or len(kept) >= self._limit_bytes
        return bool(events)

    def text(self, index: int) -> str:
        """What was printed; bytes that are no UTF-8 are shown as such."""
        return self._kept[index].decode("utf-8", "backslashreplace")

    def __enter__(self) -> _Output:
        return self

    def __exit__(self, *_: object) -> None:
        self._selector.close()
        for stream in self._streams:
            stream.close()


class PythonProcess:
    """A module of ours in a Python of its own, which shares nothing with us but one open file.

    Args:
        module: by its full name.
        arguments: for it.
        search: where it finds modules.
        keep: the number of the open file.

    Raises:
        OSError: it cannot be started.
    """

    def __init__(self, module: str, arguments: Sequence[str], search: Sequence[str], keep: int) -> None:
        self._process = subprocess.Popen(
            (sys.executable, "-P", "-m", module, *arguments),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={"PATH": os.pathsep.join(FIXED_PATH), "PYTHONPATH": os.pathsep.join(search), **_ENVIRONMENT},
            cwd="/",
            start_new_session=True,
            pass_fds=(keep,),
        )

    def code(self, wait_s: float) -> int | None:
        """How it ended, None if it has not within this time."""
        with suppress(subprocess.TimeoutExpired):
            return self._process.wait(wait_s)
        return None

    def kill(self) -> None:
        """End it, and all that it has started."""
        if self.code(0.0) is None:
            _signal(self._process, signal.SIGKILL)
        self.code(_KILL_GRACE_S)


def _account(path: str, user: str | None) -> Account | None:
    """The account to switch to before the program starts."""
    account = None if user is None else account_for(user)
    if account is not None and (why := changeable(Path(path))) is not None:
        message = f"{why}, who could thereby run a program through root; give both to root alone"
        raise PermissionError(message)
    return account


def _lives(living: _Living) -> bool:
    return living.process is None or living.process.poll() is None


def _still_running(living: _Living) -> str:
    pid = "not started yet" if living.process is None else f"pid {living.process.pid}"
    return f"still running since {living.since:%Y-%m-%d %H:%M:%S} UTC ({pid}); not started a second time"


def _ended(process: subprocess.Popen[bytes]) -> bool:
    """Whether the process has ended; unlike ``poll`` it leaves it to be waited for, so that its number stays taken."""
    try:
        return os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None
    except ChildProcessError:
        return True  # whoever started us has the kernel clear up after children by itself


def _signal(process: subprocess.Popen[bytes], number: int) -> None:
    # Gone already, or grown above our rights: there is nothing more that we could do.
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(process.pid, number)


def _reason(error: Exception) -> str:
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)
