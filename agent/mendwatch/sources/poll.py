"""One poll of one source: what its parser wants is read, and what the kernel knows of the drives behind it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.clock import Clock
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Array
from mendwatch.model.plugin import Command, File, Files, Parser, Want
from mendwatch.sources.disks import Disks
from mendwatch.sources.files import Files as StatusFiles
from mendwatch.sources.run import Runner

_BOOT_ID = "/proc/sys/kernel/random/boot_id"
_UPTIME = "/proc/uptime"

# A parser asks again for what depends on earlier answers (a plainer form of a command that was refused); more rounds
# than this would be a parser that never has enough.
MOST_ROUNDS = 5

# A command that is to be run seldom rests at least this long, whatever changes.
_SELDOM_S = 3600.0


@dataclass(frozen=True, slots=True)
class _Ran:
    """When a command that is to be run seldom last ended, and what its answer depended on then."""

    ended: float
    seldom: str | None


class Poller:
    """Polls one source.

    Args:
        parser: says what to read.
        root: where the host's /proc and /sys stand.
        runner: runs the commands.
        program: the owner's absolute path of the parser's program; None to find it on the fixed path.
        timeout_s: for a single command.
        user: the account without rights to run commands as, None for our own.
        clock: stamps the poll.
        disks: reads what concerns the drives; several pollers of one host can share one.
    """

    def __init__(
        self,
        parser: Parser,
        *,
        root: str | Path,
        runner: Runner,
        program: str | None,
        timeout_s: float,
        clock: Clock,
        disks: Disks | None = None,
        user: str | None = None,
    ) -> None:
        self.parser = parser
        self._user = user
        self._runner = runner
        self._program = program
        self._timeout_s = timeout_s
        self._clock = clock
        self._files = StatusFiles(clock, Path(root))
        self._disks = disks or Disks(clock, Path(root))
        self._ran: dict[tuple[str, ...], _Ran] = {}

    def present(self) -> bool:
        """Whether this storage system is on this host."""
        return any(self._files.find(pattern) for pattern in self.parser.present_if)

    def capture(self) -> Capture:
        """Read everything once."""
        reads = self._reads()
        boot = self._files.read(_BOOT_ID).text
        capture = Capture(
            at=self._clock.now(),
            source=self.parser.name,
            reads=reads,
            boot=boot.strip() if boot else None,
            up=self._up(),
        )
        behind = self._disks.look(self._arrays(capture), capture.boot)
        return replace(
            capture,
            disks=behind.disks,
            partitions=behind.partitions,
            array_devices=behind.array_devices,
            links=behind.links,
            drives=behind.drives,
        )

    def _reads(self) -> tuple[Read, ...]:
        reads: list[Read] = []
        done: set[Want] = set()
        for _ in range(MOST_ROUNDS):
            new = [want for want in dict.fromkeys(self.parser.wants(tuple(reads))) if want not in done]
            if not new:
                break
            done.update(new)
            reads.extend(self._run(want) for want in new if isinstance(want, Command) and self._due(want))
            reads.extend(self._files.read_all(self._paths(new, reads)))
        return tuple(reads)

    def _due(self, want: Command) -> bool:
        """Whether a command is run in this poll."""
        last = self._ran.get(want.argv)
        if want.seldom is None or last is None:
            return True
        return last.seldom != want.seldom and self._clock.ticks() - last.ended >= _SELDOM_S

    def _run(self, want: Command) -> CommandRead:
        program = self._program if want.argv[0] == self.parser.program else None
        read = self._runner.run(want.argv, program, self._timeout_s, self._user)
        if want.seldom is not None:
            # One that was not even started (it is not installed, or the one before still hangs) has told nothing of
            # this state of things: it is asked again once its rest is over.
            self._ran[want.argv] = _Ran(self._clock.ticks(), want.seldom if read.seconds is not None else None)
        return read

    def _paths(self, wants: Sequence[Want], reads: Sequence[Read]) -> tuple[str, ...]:
        """The files that are wanted, each once, without those that were read already."""
        paths: dict[str, None] = {}
        for want in wants:
            if isinstance(want, File):
                paths[want.path] = None
            elif isinstance(want, Files):
                paths.update(dict.fromkeys(self._files.find(want.pattern)))
        read = {read.path for read in reads if isinstance(read, FileRead)}
        return tuple(path for path in paths if path not in read)

    def _up(self) -> float | None:
        words = (self._files.read(_UPTIME).text or "").split()
        try:
            return float(words[0]) if words else None
        except ValueError:
            return None

    def _arrays(self, capture: Capture) -> tuple[Array, ...]:
        try:
            return self.parser.parse(capture).arrays
        except ParseError:
            return ()  # it is told where the capture is judged; here it only means that no member is known
