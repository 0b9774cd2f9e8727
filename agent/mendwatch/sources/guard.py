"""Work that may never come back is done aside, so that it holds nobody up."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Generic, TypeVar

from mendwatch.model.clock import Clock

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Hung:
    """The answer in place of work that has not come back since this time."""

    since: datetime


class Guard:
    """Does small pieces of work one after the other in a thread, and leaves alone the piece that hangs.

    A thread that waits in the kernel cannot be ended. Its piece of work is not begun again before it has come back.

    Args:
        clock: says since when a piece hangs.
        timeout_s: a single piece may take this long, and at most twice as long.
    """

    def __init__(self, clock: Clock, timeout_s: float = 2.0) -> None:
        self._clock = clock
        self._timeout_s = timeout_s
        self._hung: dict[str, tuple[Hung, threading.Event]] = {}
        self._lock = threading.Lock()

    def run(self, work: Mapping[str, Callable[[], T]]) -> dict[str, T | Hung]:
        """Do each piece; what hangs is answered by :class:`Hung`, and the rest is done all the same.

        What a piece raises is raised here.
        """
        answers: dict[str, T | Hung] = {}
        left = dict(work)
        for key in work:
            hung = self._still_hung(key)
            if hung is not None:
                answers[key] = hung
                del left[key]
        while left:
            batch = _Batch(left)
            stuck = batch.wait(self._timeout_s)
            answers.update(batch.answers)
            for key in batch.answers:
                del left[key]
            if batch.raised is not None:
                raise batch.raised
            if stuck is not None and stuck in left:
                hung = Hung(self._clock.now())
                with self._lock:
                    self._hung[stuck] = (hung, batch.back)
                answers[stuck] = hung
                del left[stuck]
        return answers

    def _still_hung(self, key: str) -> Hung | None:
        with self._lock:
            if key not in self._hung:
                return None
            hung, back = self._hung[key]
            if not back.is_set():
                return hung
            del self._hung[key]
            return None


class _Batch(Generic[T]):
    """Pieces of work in a thread of their own, until one hangs."""

    def __init__(self, work: Mapping[str, Callable[[], T]]) -> None:
        self._work = dict(work)
        self._answers: dict[str, T] = {}
        self._given_up = False
        self._lock = threading.Lock()
        self._at: str | None = None
        self.answers: dict[str, T] = {}
        self.raised: Exception | None = None
        self.back = threading.Event()
        threading.Thread(target=self._do, name="status files", daemon=True).start()

    def wait(self, timeout_s: float) -> str | None:
        """Wait while it advances; the key of the piece that hangs, None when all is done."""
        seen = -1
        while not self.back.wait(timeout_s):
            with self._lock:
                if len(self._answers) == seen:
                    self._given_up = True
                    self.answers = dict(self._answers)
                    return self._at
                seen = len(self._answers)
        self.answers = self._answers
        return None

    def _do(self) -> None:
        try:
            for key, piece in self._work.items():
                self._at = key
                answer = piece()
                with self._lock:
                    if self._given_up:
                        return
                    self._answers[key] = answer
        except Exception as error:  # noqa: BLE001 - handed to the one who asked for the work
            self.raised = error
        finally:
            self.back.set()
