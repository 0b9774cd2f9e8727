"""The demo from outside: what it says, what arrives, and that a kill at any moment loses and doubles nothing."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

from mendwatch.daemon.demo import story
from mendwatch.daemon.demo.show import verdict
from mendwatch.history import History
from mendwatch.model.alert import AlertKind, Level

DEMO = (sys.executable, "-m", "mendwatch.cli", "demo", "--output")


def demo(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*DEMO, str(folder)], capture_output=True, text=True, check=False, timeout=120)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, float]:
    """One showing from beginning to end: its folder, what it said, how long it took."""
    folder = tmp_path_factory.mktemp("demo")
    began = time.monotonic()
    done = demo(folder)
    assert (done.returncode, done.stderr) == (0, "")
    return folder, done.stdout, time.monotonic() - began


def told(folder: Path) -> list[tuple[str, str, str]]:
    with History.open(folder / "history.db", readonly=True) as history:
        return [(alert.id, alert.kind.value, alert.level.value) for alert in history.alerts()]


def test_it_ends_within_a_minute(whole: tuple[Path, str, float]) -> None:
    assert whole[2] < 60


def test_the_good_replacement_pages_nobody_and_the_slow_one_within_its_first_hour(
    whole: tuple[Path, str, float],
) -> None:
    come = verdict(whole[0] / "history.db")
    assert come.well, come.why
    assert len(come.rebuilds) == 2
    with History.open(whole[0] / "history.db", readonly=True) as history:
        spring, summer = history.runs(type="rebuild")
        alerts = history.alerts()
    assert spring.outcome.value == "finished"
    assert summer.outcome.value == "running"
    first = next(alert for alert in alerts if alert.level is Level.PAGE)
    assert first.kind is AlertKind.WINDOW_OVER_POLICY
    assert first.rebuild == summer.id
    assert first.finish is not None
    assert first.finish.p50 is not None
    assert (first.finish.p50 - summer.started).days > 7, "a drive of that kind takes many days"
    assert all(alert.at < story.SUMMER.scenario.start for alert in alerts if alert.rebuild == spring.id)


def test_what_arrived_is_shown(whole: tuple[Path, str, float]) -> None:
    said = whole[1]
    arrived = re.search(r"What arrived: (\d+) by web hook, of which (\d+) pages, and (\d+) by mail", said)
    assert arrived is not None
    hooks, pages, mails = (int(number) for number in arrived.groups())
    assert hooks == len(told(whole[0]))
    assert pages == mails == len([level for _, _, level in told(whole[0]) if level == "page"])
    assert "mendwatch.alert" in said
    assert "To:      oncall@example.org" in said
    assert "Subject: " in said
    assert "\x1b" not in said, "no terminal codes on a pipe"
    assert max(len(line) for line in said.splitlines()) <= 200


def test_the_history_can_be_read_with_the_commands_that_it_names(whole: tuple[Path, str, float]) -> None:
    commands = re.findall(r"^  mendwatch (history|show) (.*)$", whole[1], re.MULTILINE)
    assert [verb for verb, _ in commands] == ["history", "show", "show"]
    for verb, rest in commands:
        done = subprocess.run(
            [sys.executable, "-m", "mendwatch.cli", verb, *rest.split()], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        assert story.POOL in done.stdout


def test_again_on_the_same_history_nothing_is_sent_twice(whole: tuple[Path, str, float]) -> None:
    before = told(whole[0])
    again = demo(whole[0])
    assert again.returncode == 0, again.stderr
    assert "What arrived: 0 by web hook" in again.stdout
    assert told(whole[0]) == before


@pytest.mark.slow
def test_a_kill_at_any_moment_loses_nothing_and_pages_nobody_under_a_new_name(
    whole: tuple[Path, str, float], tmp_path: Path
) -> None:
    """Killed again and again, each time a little later, until one showing gets through."""
    kills = 0
    for number in range(60):
        pause_s = 0.4 + 0.15 * number
        playing = subprocess.Popen([*DEMO, str(tmp_path)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        try:
            playing.wait(pause_s)
            break
        except subprocess.TimeoutExpired:
            playing.kill()
            playing.wait()
            kills += 1
    assert kills >= 3, "it was never really broken off"
    done = demo(tmp_path)
    assert done.returncode == 0, done.stderr
    assert told(tmp_path) == told(whole[0])
    with History.open(tmp_path / "history.db", readonly=True) as history:
        assert all(record.delivered for alert in history.alerts() for record in history.deliveries(alert.id))
        with History.open(whole[0] / "history.db", readonly=True) as plain:
            assert history.states() == plain.states()
            assert history.runs() == plain.runs()
            assert history.windows() == plain.windows()


def test_a_folder_that_cannot_be_used_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    done = demo(tmp_path / "file" / "below")
    assert done.returncode == 2
    assert str(tmp_path / "file" / "below") in done.stderr
    assert "Traceback" not in done.stderr
