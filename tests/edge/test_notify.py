"""The sd_notify protocol against a real datagram socket (sd_notify(3), sd_watchdog_enabled(3))."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from mendwatch.daemon.notify import Notifier

PID = 4711


class Listener:
    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.settimeout(0.5)

    def next(self) -> str | None:
        try:
            return self.socket.recv(4096).decode("utf-8")
        except TimeoutError:
            return None


@pytest.fixture(params=["path", "abstract"])
def place(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, Listener]]:
    if request.param == "path":
        named, bound = str(tmp_path / "notify"), str(tmp_path / "notify")
    else:
        named, bound = f"@mendwatch-test-{tmp_path.name}", f"\0mendwatch-test-{tmp_path.name}"
    listener = Listener(bound)
    yield named, listener
    listener.socket.close()


def test_each_message_arrives_as_one_datagram(place: tuple[str, Listener]) -> None:
    named, listener = place
    notifier = Notifier({"NOTIFY_SOCKET": named, "WATCHDOG_USEC": "20000000"}, PID)
    notifier.ready()
    assert listener.next() == "READY=1"
    notifier.reloading(123456)
    assert listener.next() == "RELOADING=1\nMONOTONIC_USEC=123456"
    notifier.alive()
    assert listener.next() == "WATCHDOG=1"
    notifier.stopping()
    assert listener.next() == "STOPPING=1"


def test_the_status_is_one_line_and_sent_only_when_it_changed(place: tuple[str, Listener]) -> None:
    named, listener = place
    notifier = Notifier({"NOTIFY_SOCKET": named}, PID)
    notifier.status("2 arrays\nREADY=1")
    assert listener.next() == "STATUS=2 arrays READY=1"
    notifier.status("2 arrays READY=1")
    notifier.status("1 array, Größe")
    assert listener.next() == "STATUS=1 array, Größe"
    assert listener.next() is None


@pytest.mark.parametrize(
    ("environ", "seconds"),
    [
        ({"WATCHDOG_USEC": "20000000"}, 20.0),
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": str(PID)}, 20.0),
        ({"WATCHDOG_USEC": "20000000", "WATCHDOG_PID": str(PID + 1)}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "-5"}, None),
        ({}, None),
    ],
)
def test_when_a_watchdog_is_kept_for_us(environ: dict[str, str], seconds: float | None) -> None:
    assert Notifier(environ, PID).watchdog_s == seconds


def test_without_a_watchdog_no_sign_of_life_is_sent(place: tuple[str, Listener]) -> None:
    named, listener = place
    Notifier({"NOTIFY_SOCKET": named, "WATCHDOG_USEC": "20000000", "WATCHDOG_PID": "1"}, PID).alive()
    assert listener.next() is None


@pytest.mark.parametrize("value", ["", "relative/socket", "/nowhere/at/all"])
def test_a_manager_that_does_not_listen_is_no_error(value: str) -> None:
    notifier = Notifier({"NOTIFY_SOCKET": value}, PID)
    notifier.ready()
    notifier.stopping()


def test_a_manager_whose_queue_is_full_does_not_hold_us_up(tmp_path: Path) -> None:
    listener = Listener(str(tmp_path / "notify"))
    notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "notify")}, PID)
    for _ in range(2000):
        notifier.ready()
    assert listener.next() == "READY=1"
    listener.socket.close()
