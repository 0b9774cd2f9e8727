"""A device of a real btrfs mirror is replaced while the agent runs, is killed, and runs again; the pages arrive."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest

from support.btrfs_lab import degraded_mirror, why_not

pytestmark = [
    pytest.mark.slow,
    pytest.mark.root,
    pytest.mark.skipif(why_not() is not None, reason=f"real btrfs: {why_not()}"),
]

DATA_BYTES = 160 << 20
LIMIT_BYTES_PER_S = 4 << 20


class Hook(ThreadingHTTPServer):
    """A webhook that keeps the events it was sent."""

    def __init__(self) -> None:
        self.events: list[dict[str, object]] = []
        super().__init__(("127.0.0.1", 0), _Handler)

    def kinds(self) -> list[str]:
        return [str(event["data"]["kind"]) for event in self.events]  # type: ignore[index]


class _Handler(BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        self.server.events.append(json.loads(body))
        self.send_response(202)
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Keep the test's output quiet."""


@contextmanager
def hook() -> Iterator[Hook]:
    server = Hook()
    Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield server
    finally:
        server.shutdown()
        server.server_close()


def write_config(folder: Path, server: Hook) -> Path:
    config = folder / "mendwatch.toml"
    config.write_text(
        f"""
[host]
name = "lab-1"
state_dir = "{folder / "state"}"
[polling]
idle = "5s"
rebuild = "5s"
[policy]
window_limit = {{ left_0 = "30s" }}
[[array]]
name = "*"
watch = false
[[array]]
name = "lab-mirror"
watch = true
[[channel]]
name = "ops"
kind = "webhook"
url = "http://127.0.0.1:{server.server_address[1]}/"
levels = ["page", "notice"]
""",
        encoding="utf-8",
    )
    config.chmod(0o600)
    return config


def start(config: Path, log: Path, started: ExitStack) -> subprocess.Popen[bytes]:
    with log.open("ab") as out:
        argv = [sys.executable, "-m", "mendwatch.cli", "run", "--config", str(config)]
        agent = subprocess.Popen(argv, stdout=out, stderr=out)
    started.callback(agent.wait)
    started.callback(agent.kill)
    return agent


def until(true: Callable[[], bool], seconds: float, what: str, log: Path) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"{what} within {seconds} s; the log:\n{log.read_text(encoding='utf-8')[-3000:]}"
        time.sleep(0.5)


def mendwatch(*argv: str) -> str:
    done = subprocess.run([sys.executable, "-m", "mendwatch.cli", *argv], check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_replacement_is_followed_to_its_end_through_a_kill(tmp_path: Path) -> None:
    log = tmp_path / "agent.log"
    with hook() as server, degraded_mirror(tmp_path, DATA_BYTES) as mirror, ExitStack() as started:
        config = write_config(tmp_path, server)
        agent = start(config, log, started)
        until(lambda: "redundancy-reduced" in server.kinds(), 30, "the page for the loss", log)
        mirror.limit(LIMIT_BYTES_PER_S)
        replacing = mirror.replace()
        until(lambda: "window-over-policy" in server.kinds(), 90, "the page for the policy", log)
        agent.kill()
        agent.wait()
        agent = start(config, log, started)
        until(lambda: replacing.poll() is not None, 120, "the end of the replacement", log)
        assert replacing.returncode == 0
        until(lambda: "redundancy-restored" in server.kinds(), 120, "the notice that it is whole again", log)
        agent.send_signal(signal.SIGTERM)
        began = time.monotonic()
        assert agent.wait(10) == 0
        assert time.monotonic() - began < 5
    _check_what_arrived(server)
    _check_the_history(config)


def _check_what_arrived(server: Hook) -> None:
    ids = [str(event["id"]) for event in server.events]
    # At least once is the promise; a kill between sending and noting may repeat one, under the same id.
    told = {str(event["id"]): event for event in server.events}
    assert len(ids) - len(told) <= 1
    data = [event["data"] for event in told.values()]
    assert {d["array"] for d in data} == {"lab-mirror"}  # type: ignore[index]
    kinds = [d["kind"] for d in data]  # type: ignore[index]
    for kind in ("redundancy-reduced", "rebuild-underway", "rebuild-ended", "redundancy-restored"):
        assert kinds.count(kind) == 1, kinds
    rebuilds = {d["rebuild"] for d in data if d["rebuild"]}  # type: ignore[index]
    assert len(rebuilds) == 1
    windows = {d["window"] for d in data if d["window"]}  # type: ignore[index]
    assert len(windows) == 1


def _check_the_history(config: Path) -> None:
    history = json.loads(mendwatch("history", "--config", str(config), "--json"))
    records = history if isinstance(history, list) else [r for part in history.values() for r in part]
    (rebuild,) = [r for r in records if r["type"] == "rebuild"]
    (window,) = [r for r in records if r["type"] == "window"]
    assert rebuild["outcome"] == "finished"
    assert window["closed"] is not None
    assert window["rebuilds"] == [rebuild["id"]]
    assert rebuild["id"] in mendwatch("show", str(rebuild["id"]), "--config", str(config))
