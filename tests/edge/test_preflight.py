"""The preflight on real files: a recording's /proc and /sys below a root of our own, real rights, real mounts."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.preflight import Check, Verdict, inspect
from mendwatch.daemon.preflight.places import existing, mount_of
from mendwatch.history import HISTORY_NAME, History
from mendwatch.model.errors import UsageError
from mendwatch.model.records import SourceRecord
from mendwatch.model.store import Commit
from support.btrfs_lab import degraded_mirror, why_not
from support.stage import Host

ROOT_ONLY = pytest.mark.skipif(os.geteuid() != 0, reason="needs root to change owners and users")


class Site:
    """A host with an md array, a configuration and a state directory."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.root = folder / "root"
        self.state = folder / "state"
        self.file = folder / "mendwatch.toml"
        Host(self.root, "md-6.12-collapse-A").show(0)
        folder.chmod(0o755)
        self.say()

    def say(self, *, sources: str = "", channels: str | None = None, state: Path | None = None) -> None:
        if channels is None:
            channels = '[[channel]]\nname = "ops"\nkind = "webhook"\nurl = "https://hooks.example.org/x"\n'
        head = f'[host]\nname = "store-1"\nroot = "{self.root}"\nstate_dir = "{state or self.state}"\n'
        self.file.write_text(head + sources + channels, encoding="utf-8")
        self.file.chmod(0o640)

    def checks(self, clock: SystemClock | None = None) -> list[Check]:
        return list(inspect(self.file, clock or SystemClock(), {}))

    def about(self, start: str) -> list[Check]:
        return [check for check in self.checks() if check.about.startswith(start)]

    def only(self, start: str) -> Check:
        found = self.about(start)
        assert len(found) == 1, found
        return found[0]


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return Site(tmp_path)


def test_where_all_is_well_every_line_is_fine(site: Site) -> None:
    checks = site.checks()
    assert [check for check in checks if check.verdict is not Verdict.FINE] == []
    assert site.only("source md").said.endswith("arrays understood: md1")
    assert {check.about.split()[0] for check in checks} >= {"configuration", "rights", "source", "channel", "clock"}


def test_nothing_is_written(site: Site) -> None:
    before = sorted(site.folder.rglob("*"))
    site.checks()
    assert sorted(site.folder.rglob("*")) == before
    assert not site.state.exists()


def test_each_problem_of_the_configuration_is_a_fault_of_its_own(site: Site) -> None:
    site.say(sources="[polling]\nidle = 60\n[source.zsf]\n")
    checks = site.checks()
    assert [check.verdict for check in checks] == [Verdict.FAULT, Verdict.FAULT]
    assert checks[0].said.startswith("polling.idle: ")
    assert checks[1].to_do == 'did you mean "zfs"? A program of your own needs argv'


def test_a_configuration_that_is_not_there_is_wrong_usage(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot read the configuration"):
        list(inspect(tmp_path / "none.toml", SystemClock(), {}))


def test_the_file_that_the_environment_names_is_read(site: Site) -> None:
    checks = list(inspect(None, SystemClock(), {"MENDWATCH_CONFIG": str(site.file)}))
    assert f"configuration {site.file}" in [check.about for check in checks]


@pytest.mark.parametrize("what", ["file", "folder"])
def test_a_configuration_that_anyone_can_change_is_a_fault(site: Site, what: str) -> None:
    place = site.file if what == "file" else site.folder
    place.chmod(0o777)
    check = site.only("configuration")
    assert check.verdict is Verdict.FAULT
    assert check.to_do.endswith(f"chmod o-w {place}")


@ROOT_ONLY
def test_run_as_root_the_configuration_must_be_roots_own(site: Site) -> None:
    os.chown(site.file, 65534, 0)
    assert "user 65534" in site.only("configuration").said
    os.chown(site.file, 0, 65534)
    site.file.chmod(0o660)
    assert "group 65534" in site.only("configuration").said
    site.file.chmod(0o640)
    assert site.only("configuration").verdict is Verdict.FINE


def test_a_secret_that_others_can_read_is_told(site: Site) -> None:
    secret = site.folder / "ops.secret"
    secret.write_text("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw\n", encoding="utf-8")
    channel = (
        f'[[channel]]\nname = "ops"\nkind = "webhook"\nurl = "https://hooks.example.org/x"\nsecret_file = "{secret}"\n'
    )
    site.say(channels=channel)
    secret.chmod(0o644)
    check = site.only("channel ops")
    assert check.verdict is (Verdict.FAULT if os.geteuid() == 0 else Verdict.NOTE)
    assert check.to_do.endswith(f"chmod o-rw {secret}")
    secret.chmod(0o600)
    assert site.only("channel ops").verdict is Verdict.FINE
    secret.unlink()
    check = site.only("channel ops")
    assert check.verdict is Verdict.FAULT
    assert "No such file" in check.said


def test_without_a_channel_that_takes_pages_nobody_would_be_woken(site: Site) -> None:
    site.say(channels='[[channel]]\nname = "log"\nkind = "log"\n')
    assert site.only("channels").verdict is Verdict.FAULT
    mail = '[[channel]]\nname = "m"\nkind = "email"\nserver = "mail.example.org"\n'
    mail += 'from = "a@example.org"\nto = ["b@example.org"]\n'
    site.say(channels=mail + 'levels = ["notice"]\n')
    assert site.only("channels").verdict is Verdict.FAULT
    site.say(channels=mail)
    assert site.about("channels") == []


def test_a_host_without_any_array_system_is_a_fault(site: Site) -> None:
    shutil.rmtree(site.root / "proc")
    shutil.rmtree(site.root / "sys")
    assert site.only("sources").verdict is Verdict.FAULT
    assert site.only("source md").said == "not on this host"


def test_a_source_that_is_enabled_by_name_must_be_there(site: Site) -> None:
    site.say(sources="[source.zfs]\nenabled = true\n[source.md]\nenabled = false\n")
    assert site.only("source zfs").verdict is Verdict.FAULT
    assert site.only("source md").said == "left out by the configuration"


@pytest.mark.parametrize(
    ("prints", "code", "to_do"),
    [
        ("cannot open the control node: Permission denied", 1, "run the agent as root"),
        ("what is this", 1, "by hand"),
    ],
)
def test_a_tool_that_fails_is_told_with_what_to_do(site: Site, prints: str, code: int, to_do: str) -> None:
    tool = site.folder / "zpool"
    tool.write_text(f"#!/bin/sh\necho '{prints}' >&2\nexit {code}\n", encoding="utf-8")
    tool.chmod(0o755)
    (site.root / "sys/module/zfs").mkdir(parents=True)
    site.say(sources=f'[source.zfs]\nenabled = true\ncommand = "{tool}"\n')
    check = site.only("source zfs")
    assert check.verdict is Verdict.FAULT
    assert to_do in check.to_do


def test_a_source_that_refuses_us_is_no_fault_where_nobody_asked_for_it(site: Site) -> None:
    tool = site.folder / "zpool"
    tool.write_text("#!/bin/sh\necho 'Permission denied the ZFS utilities must be run as root.' >&2\nexit 1\n", "utf-8")
    tool.chmod(0o755)
    (site.root / "sys/module/zfs").mkdir(parents=True)
    site.say(sources=f'[source.zfs]\ncommand = "{tool}"\n')
    check = site.only("source zfs")
    assert check.verdict is Verdict.NOTE
    assert check.to_do.endswith("enabled = false in [source.zfs]")


def test_lines_that_are_not_understood_are_told(site: Site) -> None:
    with (site.root / "proc/mdstat").open("a", encoding="utf-8") as file:
        file.write("something new: 12\n")
    understood, unread = site.about("source md")
    assert understood.verdict is Verdict.FINE
    assert unread.verdict is Verdict.NOTE
    assert "the first: something new: 12" in unread.said


def test_a_tool_that_is_not_installed_or_hangs_is_told(site: Site) -> None:
    (site.root / "sys/module/zfs").mkdir(parents=True)
    tool = site.folder / "zpool"
    site.say(sources=f'[source.zfs]\ncommand = "{tool}"\ntimeout = "1s"\n')
    assert site.only("source zfs").verdict is Verdict.FAULT
    tool.write_text("#!/bin/sh\nsleep 30\n", encoding="utf-8")
    tool.chmod(0o755)
    check = site.only("source zfs")
    assert check.verdict is Verdict.FAULT
    assert "timeout" in check.to_do


def test_a_state_directory_that_cannot_be_used_is_a_fault(site: Site) -> None:
    (site.folder / "file").write_text("", encoding="utf-8")
    site.say(state=site.folder / "file/state")
    assert "no directory" in site.about("state directory")[0].said
    site.state.mkdir()
    site.state.chmod(0o777)
    site.say()
    assert "changed by anyone" in site.about("state directory")[0].said


@ROOT_ONLY
def test_a_full_or_foreign_state_directory_is_a_fault(site: Site) -> None:
    site.state.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=1m,mode=700", "tmpfs", str(site.state)], check=False, capture_output=True
    )
    if mounted.returncode != 0:
        pytest.skip(f"cannot mount here: {mounted.stderr.decode().strip()}")
    try:
        room, ground = site.about("state directory")
        assert room.verdict is Verdict.FAULT
        assert "MiB free" in room.said
        assert ground.verdict is Verdict.NOTE
        assert "lost at each boot" in ground.said
        subprocess.run(["mount", "-o", "remount,ro", str(site.state)], check=True)
        assert "cannot be written" in site.about("state directory")[0].said
    finally:
        subprocess.run(["umount", str(site.state)], check=True)


class SetBack(SystemClock):
    def now(self) -> datetime:
        return datetime.now(UTC) - timedelta(days=400)


def test_a_clock_before_the_last_poll_or_the_installation_is_a_fault(site: Site) -> None:
    now = datetime.now(UTC)
    with History.open(site.state / HISTORY_NAME) as store:
        store.commit(Commit(SourceRecord("md", now, now, None, 0, ("md1",)), "{}"))
    assert site.only("history").verdict is Verdict.FINE
    wrong = {check.about.split()[0] for check in site.checks(SetBack()) if check.verdict is Verdict.FAULT}
    assert wrong == {"history", "clock"}


def test_a_damaged_history_is_told(site: Site) -> None:
    site.state.mkdir(mode=0o700)
    (site.state / HISTORY_NAME).write_bytes(b"no database at all" * 100)
    assert site.only("history").verdict is Verdict.FAULT


def test_a_state_directory_on_the_watched_array_is_told(site: Site) -> None:
    """The device behind the real mount is entered below the root as a volume on md1, partitioned disks beneath."""
    mount = mount_of(str(existing(site.state).resolve()), Path("/proc/self/mountinfo").read_text(encoding="utf-8"))
    assert mount is not None
    volume, md = site.root / "sys/class/block/dm-7", site.root / "sys/class/block/md1"
    for device in (volume, md):
        (device / "slaves").mkdir(parents=True, exist_ok=True)
    (volume / "slaves/md1").symlink_to(md)
    number = site.root / f"sys/dev/block/{mount.major}:{mount.minor}"
    number.parent.mkdir(parents=True)
    number.symlink_to(volume)
    ground = site.about("state directory")[1]
    assert ground.verdict is Verdict.NOTE
    assert "stands on the array md1" in ground.said
    site.say(sources='[[array]]\nname = "md1"\nwatch = false\n')
    assert site.about("state directory")[1].verdict is Verdict.FINE


@pytest.fixture
def bare(tmp_path: Path) -> Iterator[Path]:
    reason = why_not()
    if reason is not None:
        pytest.skip(reason)
    with degraded_mirror(tmp_path, 1 << 20) as mirror:
        yield mirror.mount


@pytest.mark.root
@pytest.mark.slow
def test_a_state_directory_on_a_real_btrfs_mirror_is_told(bare: Path, tmp_path: Path) -> None:
    config = tmp_path / "mendwatch.toml"
    config.write_text(f'[host]\nstate_dir = "{bare / "state"}"\n', encoding="utf-8")
    checks = [c for c in inspect(config, SystemClock(), {}) if c.about.startswith("state directory")]
    assert "stands on the array lab-mirror" in checks[1].said


def preflight(*argv: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mendwatch.cli", "preflight", *argv]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)


def test_the_verb_ends_with_one_if_there_is_a_fault(site: Site) -> None:
    done = preflight("--config", str(site.file))
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.splitlines()[-1] == "Ready."
    site.say(channels="")
    done = preflight("--config", str(site.file))
    assert done.returncode == 1
    assert "FAULT  channels: none takes pages" in done.stdout
    assert "-> add a [[channel]]" in done.stdout
    assert "\x1b" not in done.stdout


def test_the_verb_as_json_prints_nothing_else(site: Site) -> None:
    site.say(sources="[polling]\nidle = 60\n")
    done = preflight("--config", str(site.file), "--json")
    assert done.returncode == 1
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(line["type"], line["verdict"]) for line in lines] == [("check", "fault")]
    assert lines[0]["to_do"].startswith('write "60s"')


def test_the_sample_can_be_printed_and_used(site: Site) -> None:
    done = preflight("--sample")
    assert done.returncode == 0
    site.file.write_text(done.stdout, encoding="utf-8")
    assert site.only("configuration").verdict is Verdict.FINE
