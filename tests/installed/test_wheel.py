"""The wheel in an empty environment: the release gate. MENDWATCH_INSTALLED names the program that it brought."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import time
from pathlib import Path

import pytest

PROGRAM = os.environ.get("MENDWATCH_INSTALLED", "")

pytestmark = pytest.mark.skipif(not PROGRAM, reason="MENDWATCH_INSTALLED does not name an installed program")

VERBS = (
    "run",
    "status",
    "history",
    "show",
    "replay",
    "parse",
    "record",
    "simulate",
    "preflight",
    "page-test",
    "demo",
)


def mendwatch(*argv: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([PROGRAM, *argv], cwd=cwd, capture_output=True, text=True, check=False, timeout=120)


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_is_there_and_explains_itself(tmp_path: Path, verb: str) -> None:
    done = mendwatch(verb, "--help", cwd=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert "Usage" in done.stdout


def test_an_invented_rebuild_is_played_with_what_the_wheel_brings(tmp_path: Path) -> None:
    made = mendwatch("simulate", "healthy", "--output", "made.jsonl.gz", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    played = mendwatch("replay", "made.jsonl.gz", "--json", cwd=tmp_path)
    assert played.returncode == 0, played.stderr
    types = {json.loads(line)["type"] for line in played.stdout.splitlines()}
    assert {"progress", "alert", "rebuild", "window"} <= types


def test_the_tests_for_plug_ins_come_with_the_wheel_and_need_no_test_runner(tmp_path: Path) -> None:
    case = tmp_path / "cases/made-up-two-sides"
    case.mkdir(parents=True)
    text = "md0 : active raid1 sdb[1] sda[0]\n      100 blocks [2/2] [UU]\n\nunused devices: <none>\n"
    poll = {"at": "2026-03-01T02:03:04Z", "source": "md", "reads": [{"path": "/proc/mdstat", "text": text}]}
    (case / "poll.jsonl").write_text('{"recording": 1}\n' + json.dumps(poll) + "\n")
    (case / "expected.json").write_text('{"arrays": {"md0": {"redundancy_left": 1}}}')
    (case / "origin.txt").write_text("made up: composed from the grammar of the kernel's md.c")
    code = "import pathlib, mendwatch.testing, mendwatch.parsers.md as md\n"
    code += "mendwatch.testing.check(md.PARSER, pathlib.Path('cases'))"
    python = str(Path(PROGRAM).with_name("python"))
    done = subprocess.run([python, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=60)
    assert (done.returncode, done.stderr) == (0, "")


def test_the_demo_names_the_extra_that_it_needs(tmp_path: Path) -> None:
    done = mendwatch("demo", cwd=tmp_path)
    assert done.returncode == 2
    assert "mendwatch[demo]" in done.stderr
    assert "Traceback" not in done.stderr


def test_the_agent_starts_and_stops(tmp_path: Path) -> None:
    config = tmp_path / "mendwatch.toml"
    config.write_text(f'[host]\nroot = "{tmp_path}"\nstate_dir = "{tmp_path / "state"}"\n')
    log = tmp_path / "log"
    with log.open("wb") as out:
        agent = subprocess.Popen([PROGRAM, "run", "--config", str(config)], stdout=out, stderr=out)
    try:
        end = time.monotonic() + 20
        while not (tmp_path / "state" / "history.db").exists():
            assert agent.poll() is None, log.read_text()
            assert time.monotonic() < end, log.read_text()
            time.sleep(0.1)
        agent.send_signal(signal.SIGTERM)
        assert agent.wait(5) == 0, log.read_text()
    finally:
        agent.kill()
        agent.wait()
