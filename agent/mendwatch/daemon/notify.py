"""Messages to the service manager that started us, in the sd_notify datagram protocol.

Reference: the manual pages sd_notify(3) and sd_watchdog_enabled(3). Without ``NOTIFY_SOCKET`` nothing is sent.
"""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Mapping


class Notifier:
    """Tells the service manager how we are; a manager that does not listen is no error.

    Attributes:
        watchdog_s: the manager expects a sign of life within this many seconds; None when it expects none.
    """

    def __init__(self, environ: Mapping[str, str], pid: int) -> None:
        self._address = _address(environ.get("NOTIFY_SOCKET", ""))
        self.watchdog_s = _watchdog_s(environ, pid)
        self._status = ""

    def ready(self) -> None:
        """The first poll of every source has been done."""
        self._send("READY=1")

    def reloading(self, monotonic_usec: int) -> None:
        """A reload begins; :meth:`ready` ends it. The time is that of CLOCK_MONOTONIC, as the protocol asks."""
        self._send(f"RELOADING=1\nMONOTONIC_USEC={monotonic_usec}")

    def stopping(self) -> None:
        """The end begins."""
        self._send("STOPPING=1")

    def alive(self) -> None:
        """Feed the watchdog, if the manager keeps one for us."""
        if self.watchdog_s is not None:
            self._send("WATCHDOG=1")

    def status(self, line: str) -> None:
        """One line on how things stand; sent only when it changed."""
        line = " ".join(line.split())
        if line != self._status:
            self._status = line
            self._send(f"STATUS={line}")

    def _send(self, text: str) -> None:
        if self._address is None:
            return
        with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
            # A manager whose queue is full must not hold us up.
            out.settimeout(0)
            out.sendto(text.encode("utf-8"), self._address)


def _address(value: str) -> str | None:
    """The socket's address; ``@`` stands for the NUL byte of an abstract one, anything else relative is ignored."""
    if value.startswith("@"):
        return "\0" + value[1:]
    return value if value.startswith("/") else None


def _watchdog_s(environ: Mapping[str, str], pid: int) -> float | None:
    for_pid = environ.get("WATCHDOG_PID", "")
    if for_pid and for_pid != str(pid):
        return None
    usec = environ.get("WATCHDOG_USEC", "")
    if not usec.isascii() or not usec.isdigit() or int(usec) == 0:
        return None
    return int(usec) / 1e6
