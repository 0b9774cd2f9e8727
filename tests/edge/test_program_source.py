"""The owner's own programs as sources: run as the configuration says, without rights, and judged as all else."""

from __future__ import annotations

import json
import os
import pwd
import shutil
import signal
import stat
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from mendwatch.cli import app
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.configfile import load
from mendwatch.daemon.preflight import Verdict, inspect
from mendwatch.daemon.wiring import wire
from mendwatch.model.capture import CommandRead
from mendwatch.model.errors import SettingsError
from mendwatch.sources.account import changeable
from mendwatch.sources.run import Runner
from support.stage import Agent, Hook

EXAMPLE = Path(__file__).parents[2] / "config/examples/trays-observation"
PACKAGING = Path(__file__).parents[2] / "packaging/systemd"
SHELF = "t1 ok\nt2 ok\n"
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can run a program as somebody else")


@pytest.fixture
def place() -> Iterator[Path]:
    """A folder that nobody but its owner can change, from the root of the file system down."""
    if os.geteuid() != 0:
        made = Path(tempfile.mkdtemp())
    else:
        Path("/var/lib").mkdir(parents=True, exist_ok=True)
        made = Path(tempfile.mkdtemp(dir="/var/lib", prefix="mendwatch-test-"))
    made.chmod(0o755)
    shutil.copy(EXAMPLE, made / "trays-observation")
    (made / "proc").mkdir()
    (made / "shelf").write_text(SHELF)
    yield made
    shutil.rmtree(made)


def program(place: Path, text: str) -> Path:
    file = place / "told"
    file.write_text(f"#!/bin/sh\n{text}\n")
    file.chmod(0o755)
    return file


def configured(place: Path, argv: list[str], more: str = "") -> Path:
    file = place / "mendwatch.toml"
    file.write_text(
        f'[host]\nname = "store-1"\nroot = "{place}"\nstate_dir = "{place / "state"}"\n'
        f"[source.trays]\nargv = {json.dumps(argv)}\n{more}"
    )
    return file


def read(place: Path, argv: list[str], more: str = "") -> CommandRead:
    clock = SystemClock()
    wired = wire(configured(place, argv, more), Runner(clock), clock)
    (answer,) = wired.lookers["trays"].capture().commands()
    return answer


def test_the_example_is_followed_by_a_running_agent(place: Path) -> None:
    with closing(Hook()) as hook:
        channel = f'[[channel]]\nname = "ops"\nkind = "webhook"\nurl = "{hook.url}"\n'
        argv = [str(place / "trays-observation"), str(place / "shelf")]
        (place / "shelf").write_text("t1 ok\nt2 gone\n")
        agent = Agent(configured(place, argv, channel), place / "log")
        try:
            agent.until(lambda: "redundancy-reduced" in hook.kinds(), 20, "redundancy-reduced")
            (event,) = [event for event in hook.events if event["data"]["kind"] == "redundancy-reduced"]
            assert (event["data"]["array"], event["data"]["system"], event["data"]["level"]) == (
                "shelf",
                "trays",
                "page",
            )
            agent.stop(signal.SIGTERM)
        finally:
            agent.close()


def test_it_is_recorded_and_read_again_also_where_it_is_not_configured(place: Path) -> None:
    argv = [str(place / "trays-observation"), str(place / "shelf")]
    config = str(configured(place, argv))
    recording = str(place / "seen.jsonl")
    run = CliRunner()
    made = run.invoke(app, ["record", "--config", config, "-o", recording])
    assert made.exit_code == 0, made.output
    parsed = run.invoke(app, ["parse", recording, "--json"])
    (line,) = map(json.loads, parsed.stdout.splitlines())
    assert (line["source"], line["error"]) == ("trays", None)
    assert [(array["name"], array["redundancy_left"]) for array in line["arrays"]] == [("shelf", 1)]
    for more in ([], ["--config", config]):
        played = run.invoke(app, ["replay", recording, "--json", *more])
        assert (played.exit_code, played.stderr) == (0, "")
    redacted = run.invoke(app, ["record", "--config", config, "--redact"])
    assert "shelf" not in redacted.stdout.replace(str(place), "")


def test_preflight_tells_what_it_says_or_what_is_wrong(place: Path) -> None:
    def said(argv: list[str]) -> tuple[Verdict, str]:
        checks = list(inspect(configured(place, argv), SystemClock()))
        (check,) = [check for check in checks if check.about == "source trays"]
        return check.verdict, check.said + check.to_do

    verdict, text = said([str(place / "trays-observation"), str(place / "shelf")])
    assert (verdict, "arrays understood: shelf" in text) == (Verdict.FINE, True)
    verdict, text = said([str(place / "trays-observation"), str(place / "nowhere")])
    assert verdict is Verdict.FAULT
    assert "trays-observation failed with exit code" in text
    assert "observation.schema.json" in text


def test_what_hangs_or_floods_is_ended(place: Path) -> None:
    flood = read(place, [str(program(place, "while :; do echo 0123456789012345678901234567890123456789; done"))])
    assert "printed more than" in (flood.error or "")
    hung = read(place, [str(program(place, "trap '' TERM; sleep 60"))], 'timeout = "1s"\n')
    assert hung.error == "no answer within 1 s"


def test_a_program_that_is_not_there_is_told(place: Path) -> None:
    assert "No such file" in (read(place, [str(place / "none")]).error or "")


@as_root
def test_it_has_no_rights_and_no_environment(place: Path) -> None:
    one = program(place, "id -u; id -G; env; cat /proc/self/status | grep -E 'CapEff|Groups'; ls -l /proc/self/fd")
    answer = read(place, [str(one)])
    nobody = pwd.getpwnam("nobody")
    lines = answer.stdout.splitlines()
    assert lines[:2] == [str(nobody.pw_uid), str(nobody.pw_gid)]
    assert "CapEff:\t0000000000000000" in lines
    names = {line.partition("=")[0] for line in lines if "=" in line}
    assert names <= {"PATH", "LC_ALL", "TZ", "ZFS_MODULE_TIMEOUT", "PWD", "_", "SHLVL", "OLDPWD"}
    assert sum("->" in line for line in lines) <= 4, "its three streams, and the folder that ls itself reads"
    daemon = read(place, [str(one)], 'user = "daemon"\n')
    assert daemon.stdout.splitlines()[0] == str(pwd.getpwnam("daemon").pw_uid)


@as_root
def test_root_runs_no_program_that_others_could_replace(place: Path) -> None:
    one = program(place, "echo ran")
    inner = place / "inner"
    inner.mkdir()
    one = one.rename(inner / "told")
    for spoiled, mode, user, group, right in (
        (one, 0o757, 0, 0, f"{one} can be changed by anyone"),
        (one, 0o775, 0, 1, f"{one} can be changed by group 1"),
        (one, 0o755, 1, 0, f"{one} belongs to user 1"),
        (inner, 0o757, 0, 0, f"{inner} can be changed by anyone"),
    ):
        spoiled.chmod(mode)
        os.chown(spoiled, user, group)
        answer = read(place, [str(one)])
        spoiled.chmod(0o755)
        os.chown(spoiled, 0, 0)
        assert (answer.exit, answer.stdout) == (None, "")
        assert right in (answer.error or "")
    (place / "link").symlink_to(one)
    assert read(place, [str(place / "link")]).stdout == "ran\n"
    os.chown(one, 1, 0)
    assert "belongs to user 1" in (read(place, [str(place / "link")]).error or "")


@as_root
def test_accounts_that_cannot_be_taken_are_told(place: Path) -> None:
    one = [str(program(place, "echo ran"))]
    assert "there is no user 'no-such-user'" in (read(place, one, 'user = "no-such-user"\n').error or "")
    with pytest.raises(SettingsError, match="root has every right"):
        load(configured(place, one, 'user = "root"\n'))


@pytest.mark.skipif(not shutil.which("systemd-analyze"), reason="systemd is not installed")
def test_the_service_manager_finds_nothing_wrong_with_the_drop_in(tmp_path: Path) -> None:
    unit = tmp_path / "mendwatch.service"
    told = (PACKAGING / "mendwatch.service").read_text(encoding="utf-8")
    unit.write_text(told.replace("/opt/mendwatch/bin/mendwatch", "/bin/true"))
    (tmp_path / "mendwatch.service.d").mkdir()
    for name in ("with-btrfs.conf", "with-program.conf"):
        shutil.copy(PACKAGING / name, tmp_path / "mendwatch.service.d")
    verdict = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False)
    assert (verdict.returncode, verdict.stdout, verdict.stderr) == (0, "", "")


@as_root
def test_in_a_folder_of_everybody_s_others_cannot_replace_what_is_root_s(tmp_path: Path) -> None:
    # common practice, no source: /tmp has the sticky bit.
    with tempfile.NamedTemporaryFile(dir="/tmp") as file:
        assert Path("/tmp").stat().st_mode & stat.S_ISVTX
        assert changeable(Path(file.name)) is None


@pytest.mark.parametrize(
    ("table", "why"),
    [
        ("argv = []", "the list is empty"),
        ('argv = ["trays"]', "is not the absolute path of a program"),
        ('argv = "/bin/trays"', "is not a list"),
        ('argv = ["/bin/trays"]\ncommand = "/bin/trays"', "unknown key"),
        ('argv = ["/bin/trays"]\ntimeout = "1h"', "out of range"),
    ],
)
def test_a_wrong_table_is_told_with_its_place(tmp_path: Path, table: str, why: str) -> None:
    file = tmp_path / "mendwatch.toml"
    file.write_text(f"[source.trays]\n{table}\n")
    with pytest.raises(SettingsError, match=why) as raised:
        load(file)
    assert all(problem.where.startswith("source.trays") for problem in raised.value.problems)
    file.write_text('[source."Trays & Co"]\nargv = ["/bin/trays"]\n')
    with pytest.raises(SettingsError, match="cannot be the name of a source"):
        load(file)
    file.write_text('[source.zfs]\nargv = ["/bin/trays"]\n')
    with pytest.raises(SettingsError, match="unknown key"):
        load(file)


def test_it_is_enabled_by_being_named_and_can_be_switched_off(tmp_path: Path) -> None:
    clock = SystemClock()
    wired = wire(configured(tmp_path, ["/bin/trays"]), Runner(clock), clock)
    assert "trays" in wired.named
    assert "trays" in wired.rules.policy.named_sources
    off = wire(configured(tmp_path, ["/bin/trays"], "enabled = false\n"), Runner(clock), clock)
    assert "trays" not in {*off.named, *off.lookers, *off.rules.policy.named_sources}
