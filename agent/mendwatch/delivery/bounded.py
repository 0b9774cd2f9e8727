"""A limit for what has none of its own.

The limits of sockets count from byte to byte, and resolving a name has none at all: a receiver that sends one byte a
second could hold an attempt for ever. So each attempt runs in a thread that can be left behind.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from mendwatch.model.errors import DeliveryError

_MOST_LEFT = 20


class Bounded:
    """Runs attempts one after the other, each for a limited time."""

    def __init__(self, limit_s: float) -> None:
        self._limit_s = limit_s
        self._left: list[threading.Thread] = []

    def run(self, attempt: Callable[[], str]) -> str:
        """What the attempt returns or raises.

        Raises:
            DeliveryError: it took too long; it may still succeed unseen, so that sending again may send twice.
        """
        self._left = [thread for thread in self._left if thread.is_alive()]
        if len(self._left) >= _MOST_LEFT:
            message = f"{len(self._left)} earlier attempts still hang"
            raise DeliveryError(message, again=True)
        answers: list[str] = []
        faults: list[BaseException] = []

        def work() -> None:
            try:
                answers.append(attempt())
            except BaseException as error:  # noqa: BLE001 - raised again by whoever waits
                faults.append(error)

        thread = threading.Thread(target=work, name="send", daemon=True)
        thread.start()
        thread.join(self._limit_s)
        if faults:
            raise faults[0]
        if answers:
            return answers[0]
        self._left.append(thread)
        message = f"no end within {self._limit_s:g} s"
        raise DeliveryError(message, again=True)
