"""The agent as a process: a recording's files below a root of our own, a real web hook, real signals."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from support.stage import Agent, Hook, Host

HEALTHY = "[UUUU]"
DEGRADED = "[UU_U]"

Start = Callable[..., Agent]


@pytest.fixture
def host(tmp_path: Path) -> Host:
    made = Host(tmp_path / "root", "md-6.12-collapse-A")
    made.show(0)
    return made


@pytest.fixture
def hook() -> Iterator[Hook]:
    made = Hook()
    yield made
    made.close()


@pytest.fixture
def config(tmp_path: Path, host: Host, hook: Hook) -> Path:
    file = tmp_path / "mendwatch.toml"
    write(file, host, hook)
    return file


def write(file: Path, host: Host, hook: Hook, more: str = "", state: Path | None = None) -> None:
    file.write_text(
        f"""
[host]
name = "store-1"
root = "{host.root}"
state_dir = "{state or file.parent / "state"}"
[polling]
idle = "5s"
rebuild = "5s"
[policy]
blind_after = "5s"
[source.btrfs]
enabled = false
[source.dm-raid]
enabled = false
[[channel]]
name = "ops"
kind = "webhook"
url = "{hook.url}"
{more}
""",
        encoding="utf-8",
    )


@pytest.fixture
def start(config: Path, tmp_path: Path) -> Iterator[Start]:
    agents: list[Agent] = []

    def make(**environ: str) -> Agent:
        agents.append(Agent(config, tmp_path / f"agent{len(agents)}.log", **environ))
        return agents[-1]

    yield make
    for agent in agents:
        agent.close()


class Manager:
    """The service manager's end of the notification socket."""

    def __init__(self, path: Path) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(str(path))
        self.socket.setblocking(False)
        self.heard: list[str] = []

    def listen(self) -> list[str]:
        while True:
            try:
                self.heard.append(self.socket.recv(4096).decode())
            except BlockingIOError:
                return self.heard


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path / "notify")
    yield made
    made.socket.close()


def told(host: Host, hook: Hook, kind: str) -> bool:
    """Whether this kind of alert has arrived; until it has, the host goes on living."""
    host.advance()
    return kind in hook.kinds()


def test_from_ready_to_stopping(start: Start, host: Host, manager: Manager, tmp_path: Path) -> None:
    agent = start(NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="1000000")
    agent.until(lambda: "READY=1" in manager.listen(), 15, "READY=1")
    agent.until(lambda: manager.listen().count("WATCHDOG=1") >= 4, 10, "four signs of life")
    host.show(host.poll_where(DEGRADED))
    agent.until(lambda: any("1 degraded: md1" in line for line in manager.listen()), 15, "the status line")
    host.show(host.poll_where("recovery"))
    agent.until(lambda: any("1 rebuilding: md1 2 %" in line for line in manager.listen()), 15, "the status line")
    assert agent.stop(signal.SIGTERM) < 5
    assert agent.process.returncode == 0
    heard = manager.listen()
    assert heard.count("READY=1") == 1
    assert heard[-1] == "STOPPING=1"
    assert all(json.loads(line) for line in agent.log.read_text().splitlines()), "on a pipe the log is JSON"


def test_a_page_arrives_and_a_kill_makes_no_second_one(start: Start, host: Host, hook: Hook) -> None:
    agent = start()
    agent.until_said("watching")
    host.show(host.poll_where(DEGRADED))
    agent.until(lambda: hook.events, 15, "the page")
    agent.close()
    (event,) = hook.events
    assert event["data"]["kind"] == "redundancy-reduced"
    assert event["data"]["level"] == "page"
    assert event["source"] == "/hosts/store-1"

    host.show(host.poll_where("recovery"))
    again = start()
    again.until(lambda: told(host, hook, "rebuild-underway"), 30, "the next alert")
    assert hook.ids().count(event["id"]) <= 2, "sent again at most, if the kill came before it was marked"
    assert sorted(set(hook.kinds())) == ["rebuild-underway", "redundancy-reduced"]
    assert len(set(hook.ids())) == 2


def test_what_was_raised_while_the_receiver_was_down_arrives_after_a_restart(
    start: Start, host: Host, hook: Hook
) -> None:
    hook.down = True
    agent = start()
    agent.until_said("watching")
    host.show(host.poll_where(DEGRADED))
    agent.until_said("not delivered")
    agent.close()
    hook.down = False
    again = start()
    again.until(lambda: hook.events, 15, "the page")
    assert hook.kinds() == ["redundancy-reduced"]


def test_reload_takes_a_right_configuration_and_keeps_the_old_one_before_a_wrong_one(
    start: Start, host: Host, hook: Hook, config: Path, manager: Manager, tmp_path: Path
) -> None:
    agent = start(NOTIFY_SOCKET=str(tmp_path / "notify"))
    agent.until(lambda: "READY=1" in manager.listen(), 15, "READY=1")
    write(config, host, hook, '[[channel]]\nname = "ops"\nkind = "pigeon"\n')
    agent.process.send_signal(signal.SIGHUP)
    wrong = agent.until_said("keeping the old one")
    assert len(wrong["problems"]) >= 2, "all that is wrong is said at once"
    write(config, host, hook, "[[array]]\nname = 'md*'\nwatch = false\n")
    agent.process.send_signal(signal.SIGHUP)
    agent.until_said("is in force")
    agent.until(lambda: manager.listen().count("READY=1") >= 3, 5, "READY=1 after each reload")
    reloads = [line for line in manager.heard if line.startswith("RELOADING=1\nMONOTONIC_USEC=")]
    assert len(reloads) == 2
    host.show(host.poll_where(DEGRADED))
    with pytest.raises(AssertionError, match="not within"):
        agent.until(lambda: hook.events, 8, "an alert of an array that is no longer watched")


def tool(folder: Path, script: str) -> Path:
    file = folder / "zpool"
    file.write_text(f"#!/bin/sh\n{script}\n")
    file.chmod(0o755)
    return file


def test_a_hung_tool_trips_no_watchdog_and_delays_neither_the_others_nor_the_stop(
    start: Start, host: Host, hook: Hook, config: Path, manager: Manager, tmp_path: Path
) -> None:
    hung = tool(tmp_path, "trap '' TERM\nwhile :; do sleep 1; done")
    write(config, host, hook, f'[source.zfs]\nenabled = true\ncommand = "{hung}"\ntimeout = "5s"\n')
    agent = start(NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC="2000000")
    agent.until_said("watching")
    host.show(host.poll_where(DEGRADED))
    agent.until(lambda: "redundancy-reduced" in hook.kinds(), 15, "the page of the other source")
    pings = manager.listen().count("WATCHDOG=1")
    agent.until(lambda: "source-blind" in hook.kinds(), 60, "that the source cannot be read")
    assert manager.listen().count("WATCHDOG=1") > pings
    assert agent.stop(signal.SIGTERM) < 5
    assert agent.process.returncode == 0


def test_a_second_agent_on_the_same_history_is_refused(start: Start) -> None:
    start().until_said("watching")
    second = start()
    assert second.process.wait(20) == 1
    assert "another agent" in second.log.read_text()


@pytest.mark.parametrize("wrong", ["[polling]\nidle = 60\n", "[policy\n"])
def test_a_wrong_configuration_is_refused_at_the_start(config: Path, start: Start, wrong: str) -> None:
    config.write_text(wrong)
    agent = start()
    assert agent.process.wait(20) == 2
    assert str(config) in agent.log.read_text()


def test_a_damaged_history_is_kept_and_the_page_arrives_all_the_same(
    start: Start, host: Host, hook: Hook, tmp_path: Path
) -> None:
    history = tmp_path / "state" / "history.db"
    history.parent.mkdir()
    history.write_bytes(b"no history" * 1000)
    host.show(host.poll_where(DEGRADED))
    agent = start()
    agent.until(lambda: hook.events, 40, "the page")
    assert history.read_bytes() == b"no history" * 1000
    assert "damaged" in agent.log.read_text()
    assert agent.stop(signal.SIGTERM) < 5
    assert hook.kinds() == ["redundancy-reduced"]


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    if os.geteuid() != 0 or shutil.which("mount") is None:
        pytest.skip("a small disk to fill is made by mounting one, as root")
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=1m", "none", str(small)], check=False).returncode != 0:
        pytest.skip("mounting is refused here")
    yield small
    subprocess.run(["umount", "-l", str(small)], check=True)


def fill(disk: Path) -> Path:
    ballast = disk / "ballast"
    with ballast.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(b"\0" * 1024)
    return ballast


@pytest.mark.root
@pytest.mark.slow
def test_a_full_disk_silences_no_page_and_makes_no_second_one(
    small_disk: Path, start: Start, host: Host, hook: Hook, config: Path
) -> None:
    write(config, host, hook, state=small_disk)
    agent = start()
    agent.until_said("watching")
    ballast = fill(small_disk)
    host.show(host.poll_where(DEGRADED))
    agent.until(lambda: hook.events, 40, "the page")
    agent.until_said("takes no writes")
    ballast.unlink()
    agent.until_said("takes writes again", 30)
    host.show(host.poll_where("recovery"))
    agent.until(lambda: told(host, hook, "rebuild-underway"), 60, "the next alert")
    agent.close()
    before = hook.ids()
    again = start()
    again.until_said("watching")
    again.until(lambda: again.lasted_s > 12, 20, "two polls and the outbox's round")
    assert set(hook.ids()) == set(before)
    assert hook.kinds().count("redundancy-reduced") == 1


def test_run_brings_in_nothing_that_only_the_reports_need() -> None:
    """Memory counts on a small server: tables, the demo's servers and the test tools stay out of the agent."""
    unwanted = ("aiosmtpd", "rich", "rich.console", "mendwatch.reports.terminal")
    program = f"import sys, mendwatch.cli.run; print([name for name in {unwanted} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
