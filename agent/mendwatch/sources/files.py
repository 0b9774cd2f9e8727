"""Status files of the kernel: read whole, bounded in size and time."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from mendwatch.model.capture import FileRead
from mendwatch.model.clock import Clock
from mendwatch.sources.guard import Guard, Hung

_CHUNK_BYTES = 64 * 1024


class Files:
    """Reads status files below the host's root.

    A read can hang in the kernel (an array's attributes while the array itself is stuck): such a read is left alone,
    answered by an error, and not begun again before it has come back.

    Args:
        clock: says since when a read hangs.
        root: where the host's /proc and /sys stand.
        limit_bytes: a file that is larger is refused.
        timeout_s: for a single file.
    """

    def __init__(
        self, clock: Clock, root: Path = Path("/"), limit_bytes: int = 4 * 1024 * 1024, timeout_s: float = 2.0
    ) -> None:
        self.root = root
        self._limit_bytes = limit_bytes
        self._guard = Guard(clock, timeout_s)

    def read(self, path: str) -> FileRead:
        """Read one file by its absolute path."""
        return self.read_all((path,))[0]

    def read_all(self, paths: Sequence[str]) -> tuple[FileRead, ...]:
        """Read files, in this order; each that cannot be read says why, and none raises."""
        work: dict[str, Callable[[], FileRead]] = {path: partial(self._read, path) for path in paths}
        answers = self._guard.run(work)
        return tuple(_or_hung(path, answers[path]) for path in work)

    def find(self, pattern: str) -> tuple[str, ...]:
        """The absolute paths, sorted, that match a glob; none if looking for them hangs."""
        found = self._guard.run({f"glob {pattern}": partial(self._find, pattern)})
        return next((answer for answer in found.values() if not isinstance(answer, Hung)), ())

    def _find(self, pattern: str) -> tuple[str, ...]:
        try:
            matches = sorted(self.root.glob(pattern.lstrip("/")))
        except (OSError, ValueError):  # ValueError: a plug-in's pattern that is none
            return ()
        return tuple(f"/{match.relative_to(self.root)}" for match in matches)

    def _read(self, path: str) -> FileRead:
        try:
            # Not blocking: what stands there might be a pipe that nobody writes into.
            handle = os.open(self.root / path.lstrip("/"), os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
        except (OSError, ValueError) as error:
            return FileRead(path, error=_reason(error))
        try:
            parts = []
            room = self._limit_bytes
            while part := os.read(handle, _CHUNK_BYTES):
                parts.append(part)
                room -= len(part)
                if room < 0:
                    return FileRead(path, error=f"larger than {self._limit_bytes} bytes")
        except OSError as error:
            return FileRead(path, error=_reason(error))
        finally:
            os.close(handle)
        return FileRead(path, b"".join(parts).decode("utf-8", "backslashreplace"))


def _or_hung(path: str, answer: FileRead | Hung) -> FileRead:
    if isinstance(answer, Hung):
        return FileRead(path, error=f"reading it hangs since {answer.since:%Y-%m-%d %H:%M:%S} UTC; left alone")
    return answer


def _reason(error: Exception) -> str:
    return error.strerror if isinstance(error, OSError) and error.strerror else str(error)
