"""The unit and the scripts, judged by the service manager's own tools and by really installing."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGING = ROOT / "packaging"
UNIT = PACKAGING / "systemd" / "mendwatch.service"
DROP_IN = PACKAGING / "systemd" / "with-btrfs.conf"

needs_systemd = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is not installed (apt-get install systemd)"
)


def run(*argv: str, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(argv, capture_output=True, text=True, check=False, env={**os.environ, **env}, timeout=300)


def staged(tmp_path: Path, *, drop_in: bool) -> Path:
    """The unit as installed, but with a program that is there."""
    unit = tmp_path / "mendwatch.service"
    program = tmp_path / "mendwatch"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit.write_text(UNIT.read_text().replace("/opt/mendwatch/bin/mendwatch", str(program)))
    if drop_in:
        (tmp_path / "mendwatch.service.d").mkdir()
        shutil.copy(DROP_IN, tmp_path / "mendwatch.service.d")
    return unit


@needs_systemd
@pytest.mark.parametrize("drop_in", [False, True], ids=["own account", "with btrfs"])
def test_the_service_manager_finds_nothing_wrong_with_the_unit(tmp_path: Path, drop_in: bool) -> None:
    verdict = run("systemd-analyze", "verify", str(staged(tmp_path, drop_in=drop_in)))
    assert (verdict.returncode, verdict.stdout, verdict.stderr) == (0, "", "")


@needs_systemd
@pytest.mark.parametrize("drop_in", [False, True], ids=["own account", "with btrfs"])
def test_the_exposure_is_small(tmp_path: Path, drop_in: bool) -> None:
    verdict = run("systemd-analyze", "security", "--offline=true", str(staged(tmp_path, drop_in=drop_in)))
    found = re.search(r"Overall exposure level for mendwatch\.service: ([0-9.]+)", verdict.stdout)
    assert found is not None, verdict.stderr
    print(f"\nexposure of the unit{' with the btrfs drop-in' if drop_in else ''}: {found[1]} of at most 2.5")
    assert float(found[1]) <= 2.5


def test_the_unit_gives_no_right_that_the_drop_in_is_there_for() -> None:
    unit = UNIT.read_text()
    assert "User=mendwatch" in unit
    assert "\nCapabilityBoundingSet=\n" in unit
    assert re.search(r"^CapabilityBoundingSet=CAP_SYS_ADMIN$", DROP_IN.read_text(), re.MULTILINE)


@pytest.mark.parametrize("script", sorted(PACKAGING.glob("*.sh")), ids=lambda path: path.name)
def test_the_scripts_are_plain_shell(script: Path) -> None:
    shell = shutil.which("dash") or "/bin/sh"
    verdict = run(shell, "-n", str(script))
    assert (verdict.returncode, verdict.stderr) == (0, "")


@pytest.mark.parametrize("script", ["install.sh", "uninstall.sh", "try.sh"])
def test_a_wrong_option_is_answered_with_the_usage(script: str) -> None:
    verdict = run("sh", str(PACKAGING / script), "--nonsense")
    assert verdict.returncode == 2
    assert f"sh packaging/{script}" in verdict.stdout


def stand_in(folder: Path, name: str, *, version: str, venv: bool) -> None:
    """A Python that answers the scripts' questions as an old one, or one without venv, would."""
    folder.mkdir(exist_ok=True)
    program = folder / name
    program.write_text(
        "#!/bin/sh\n"
        'case "$2" in\n'
        f"*version_info\\ \\<*) exit {1 if version == '3.9' else 0} ;;\n"
        f"*ensurepip*) exit {0 if venv else 1} ;;\n"
        f"*print*) echo {version} ;;\n"
        "esac\n"
    )
    program.chmod(0o755)


@pytest.mark.parametrize(
    ("version", "venv", "said"),
    [("3.9", True, "no Python 3.11, 3.12 or 3.13 was found"), ("3.11", False, "apt-get install python3-venv")],
)
def test_what_to_install_is_said_when_python_or_venv_is_missing(
    tmp_path: Path, version: str, venv: bool, said: str
) -> None:
    stand_in(tmp_path / "bin", "python3", version=version, venv=venv)
    for tool in ("sh", "dirname", "sed", "id", "mkdir"):
        (tmp_path / "bin" / tool).symlink_to(shutil.which(tool) or "/bin/false")
    verdict = run("sh", str(PACKAGING / "try.sh"), PATH=str(tmp_path / "bin"), MENDWATCH_VENV=str(tmp_path / "venv"))
    assert verdict.returncode == 1
    assert said in verdict.stderr
    assert not (tmp_path / "venv").exists()


@pytest.mark.slow
def test_install_twice_then_uninstall_then_purge(tmp_path: Path) -> None:
    stage = tmp_path / "stage"
    environ = {"DESTDIR": str(stage)}
    first = run("sh", str(PACKAGING / "install.sh"), **environ)
    assert first.returncode == 0, first.stderr
    configuration = stage / "etc/mendwatch/mendwatch.toml"
    assert configuration.read_bytes() == (ROOT / "config/mendwatch.toml").read_bytes()
    assert configuration.stat().st_mode & 0o777 == 0o640
    version = run(str(stage / "opt/mendwatch/bin/mendwatch"), "--version")
    assert version.returncode == 0, version.stderr
    unit = (stage / "etc/systemd/system/mendwatch.service").read_text()
    assert "ExecStart=/opt/mendwatch/bin/mendwatch run" in unit
    for step in ("preflight", "page-test", "reload"):
        assert step in first.stdout

    configuration.write_text("# the owner's own\n")
    again = run("sh", str(PACKAGING / "install.sh"), **environ)
    assert again.returncode == 0, again.stderr
    assert configuration.read_text() == "# the owner's own\n"

    history = stage / "var/lib/mendwatch"
    history.mkdir(parents=True)
    gone = run("sh", str(PACKAGING / "uninstall.sh"), **environ)
    assert gone.returncode == 0, gone.stderr
    assert not (stage / "opt/mendwatch").exists()
    assert not (stage / "etc/systemd/system/mendwatch.service").exists()
    assert configuration.exists()
    assert history.exists()

    purged = run("sh", str(PACKAGING / "uninstall.sh"), "--purge", **environ)
    assert purged.returncode == 0, purged.stderr
    assert not configuration.exists()
    assert not history.exists()


def test_uninstall_removes_nothing_that_is_no_environment(tmp_path: Path) -> None:
    mine = tmp_path / "opt/mendwatch/mine"
    mine.parent.mkdir(parents=True)
    mine.write_text("kept")
    verdict = run("sh", str(PACKAGING / "uninstall.sh"), DESTDIR=str(tmp_path))
    assert verdict.returncode == 0, verdict.stderr
    assert mine.read_text() == "kept"
