"""A host's /proc and /sys made of a real recording's files, and a real web hook: what a running agent sees and says."""

from __future__ import annotations

import gzip
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import Any

from support.recordings import FILES


class Host:
    """Shows one poll of a recording after another below a folder."""

    def __init__(self, root: Path, recording: str) -> None:
        self.root = root
        with gzip.open(FILES[recording], "rt", encoding="utf-8") as lines:
            self._polls: list[dict[str, Any]] = [json.loads(line) for line in lines][1:]
        self._write("/proc/sys/kernel/random/boot_id", "5f0c4bb4-6b0a-4a3e-9a52-0d6a5d1f7c11\n")
        self._write("/proc/diskstats", "")
        (root / "proc/uptime").symlink_to("/proc/uptime")
        self._shown, self._shown_at = 0, 0.0

    @property
    def last(self) -> int:
        """The number of the last poll."""
        return len(self._polls) - 1

    def poll_where(self, text: str, start: int = 0) -> int:
        """The first poll whose /proc/mdstat holds this text."""
        for number, poll in enumerate(self._polls[start:], start):
            if any(read.get("path") == "/proc/mdstat" and text in read["text"] for read in poll["reads"]):
                return number
        message = f"no poll shows {text!r}"
        raise LookupError(message)

    def show(self, number: int) -> None:
        """Put this poll's files in place of those that stand there."""
        self._shown, self._shown_at = number, time.monotonic()
        shutil.rmtree(self.root / "sys", ignore_errors=True)
        for read in self._polls[number]["reads"]:
            if "text" in read:
                self._write(read["path"], read["text"])

    def advance(self) -> None:
        """Show the next poll, if the one that is shown has stood for a second."""
        if time.monotonic() - self._shown_at >= 1.0 and self._shown < self.last:
            self.show(self._shown + 1)

    def _write(self, path: str, text: str) -> None:
        file = self.root / path.lstrip("/")
        file.parent.mkdir(parents=True, exist_ok=True)
        beside = file.with_name(file.name + ".new")
        beside.write_text(text, encoding="utf-8")
        beside.replace(file)


class Hook(ThreadingHTTPServer):
    """A web hook that keeps the events it was sent; while it is down it answers 503."""

    def __init__(self) -> None:
        self.events: list[dict[str, Any]] = []
        self.down = False
        super().__init__(("127.0.0.1", 0), _Handler)
        Thread(target=self.serve_forever, args=(0.05,), daemon=True).start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}/"

    def kinds(self) -> list[str]:
        return [str(event["data"]["kind"]) for event in self.events]

    def ids(self) -> list[str]:
        return [str(event["id"]) for event in self.events]

    def close(self) -> None:
        self.shutdown()
        self.server_close()


class _Handler(BaseHTTPRequestHandler):
    server: Hook

    def do_POST(self) -> None:
        body = self.rfile.read(int(self.headers["Content-Length"]))
        if not self.server.down:
            self.server.events.append(json.loads(body))
        self.send_response(503 if self.server.down else 202)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *_: object) -> None:
        """Keep the test's output quiet."""


class Agent:
    """``mendwatch run`` as a child process, its log in a file."""

    def __init__(self, config: Path, log: Path, **environ: str) -> None:
        self.log = log
        self._began = time.monotonic()
        clean = {key: value for key, value in os.environ.items() if not key.startswith(("NOTIFY_", "WATCHDOG_"))}
        with log.open("ab") as out:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "mendwatch.cli", "run", "--config", str(config)],
                stdout=out,
                stderr=out,
                env={**clean, **environ},
            )

    @property
    def lasted_s(self) -> float:
        """How long it has run."""
        return time.monotonic() - self._began

    def said(self) -> list[dict[str, Any]]:
        """The log so far, line by line."""
        return [json.loads(line) for line in self.log.read_text(encoding="utf-8").splitlines() if line[:1] == "{"]

    def until(self, true: Callable[[], object], seconds: float, what: str) -> None:
        """Wait for something to become true."""
        end = time.monotonic() + seconds
        while not true():
            tail = self.log.read_text(encoding="utf-8")[-4000:]
            assert self.process.poll() is None, f"the agent ended with {self.process.returncode}:\n{tail}"
            assert time.monotonic() < end, f"not within {seconds} s: {what}; the log:\n{tail}"
            time.sleep(0.1)

    def until_said(self, event: str, seconds: float = 15.0) -> dict[str, Any]:
        """Wait for a line of the log."""
        self.until(lambda: any(event in str(line.get("event")) for line in self.said()), seconds, f"log: {event}")
        return next(line for line in self.said() if event in str(line.get("event")))

    def stop(self, number: int) -> float:
        """Send a signal and wait for the end; the seconds that it took."""
        began = time.monotonic()
        self.process.send_signal(number)
        self.process.wait(20)
        return time.monotonic() - began

    def close(self) -> None:
        self.process.kill()
        self.process.wait(20)
