"""The plug-in that DEVELOPERS.md shows: installed as a stranger would, found, held to the shipped tests, followed.

The same plug-in, spoilt in one place at a time, shows that each of these tests can fail.
"""

from __future__ import annotations

import importlib.util
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from mendwatch.model.plugin import Parser
from mendwatch.sources import registry
from mendwatch.testing import check, faults, read_cases

DEVELOPERS = Path(__file__).parents[2] / "DEVELOPERS.md"
BLOCK = re.compile(r"^`([a-z0-9_./-]+)`\n```\w+\n(.*?)^```$", re.MULTILINE | re.DOTALL)
FILES = dict(BLOCK.findall(DEVELOPERS.read_text(encoding="utf-8")))
SOURCE = FILES["mendwatch_trays.py"]


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("mendwatch-trays")
    for name, text in FILES.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def run(*argv: str, site: Path) -> subprocess.CompletedProcess[str]:
    environ = {**os.environ, "PYTHONPATH": str(site)}
    return subprocess.run(argv, env=environ, cwd=site, capture_output=True, text=True, check=False, timeout=120)


def test_it_is_complete_and_takes_less_than_sixty_lines() -> None:
    assert {"pyproject.toml", "mendwatch_trays.py", "test_trays.py"} <= set(FILES)
    assert sum(text.count("\n") for text in FILES.values()) < 60
    assert all(
        len(line) <= 120 for name in ("mendwatch_trays.py", "test_trays.py") for line in FILES[name].splitlines()
    )


def test_installed_it_is_found_passes_its_test_and_is_followed(project: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = project / "site"
    pip = (sys.executable, "-m", "pip", "install", "-q", "--no-index", "--no-deps", "--no-build-isolation")
    done = run(*pip, "--disable-pip-version-check", "--target", str(site), str(project), site=project)
    assert done.returncode == 0, done.stderr
    done = run(
        sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(project / "test_trays.py"), site=site
    )
    assert done.returncode == 0, done.stdout
    assert "1 passed" in done.stdout
    poll = project / "cases/made-up-one-gone/poll.jsonl"
    played = run(sys.executable, "-m", "mendwatch.cli", "replay", str(poll), "--json", site=site)
    kinds = [json.loads(line).get("kind") for line in played.stdout.splitlines()]
    assert "redundancy-reduced" in kinds, played.stderr
    monkeypatch.syspath_prepend(str(site))
    found = registry.load()
    assert found.failed == {}
    assert found.parsers["trays"].present_if == ("/proc/trays",)


def spoilt(tmp_path: Path, old: str, new: str) -> Parser:
    """The plug-in with one text in its source replaced."""
    assert SOURCE.count(old) >= 1
    file = tmp_path / "spoilt.py"
    file.write_text("import random, time\nfrom mendwatch.model.plugin import Command\n" + SOURCE.replace(old, new))
    spec = importlib.util.spec_from_file_location("spoilt", file)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    parser: Parser = module.PARSER
    return parser


def test_unspoilt_it_has_no_faults(project: Path, tmp_path: Path) -> None:
    check(spoilt(tmp_path, "PARSER =", "PARSER ="), project / "cases")


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            'name, program, present_if = "trays", None,',
            "name, present_if = 'trays',",
            "declares itself: it lacks program",
        ),
        ('("/proc/trays",)', '("**/trays",)', "declares itself: no storage system: '**/trays' in present_if is no"),
        (
            '("/proc/trays",)',
            '"/proc/trays"',
            "declares itself: what it says cannot be used: present",
        ),
        ('(File("/proc/trays"),)', '(File("proc/trays"),)', "asks only to read: made-up-one-gone: wants: ValueError"),
        ('(File("/proc/trays"),)', '(Command(("sh", "-c", "trays")),)', "which runs other commands"),
        ('(File("/proc/trays"),)', '(Command(("trays", "-f")),)', "which forces something"),
        ('(File("/proc/trays"),)', '(Command(("trays",)),)', "asks for 'trays', but names no program"),
        ('(File("/proc/trays"),)', '(File(f"/proc/{len(reads)}"),)', "has not come to an end after 5 rounds"),
        (
            '(File("/proc/trays"),)',
            '(File(f"/proc/{random.random()}"),)',
            "wants other things when it is asked a second",
        ),
        ('(File("/proc/trays"),)', "(File(reads[0].path),)", "wants: IndexError"),
        (
            'state == "ok"',
            'state != "ok"',
            "understands its cases: made-up-one-gone.arrays.left.members.t1.good: False",
        ),
        ("IdKind.NAME", '"serial"', "gives what can be used: made-up-one-gone: what it says cannot be used"),
        ("copies - 1, left, None, None, None", 'copies - 1, left, None, "many", None', "spares_free"),
        (
            "copies - 1, left, None",
            "copies - 1, None, None",
            "does not say why the redundancy left of left is not known",
        ),
        ("copies - 1, left, None", "copies - 1, left + 5, None", "out of bounds (controls in names, more than full)"),
        ("Array(name, name,", "Array(name, str(random.random()),", "is steady: made-up-one-gone: another answer"),
        ("Array(name, name,", "Array(name, '',", "without a name or an id"),
        (
            "self.array(name,",
            'self.array(f"{name}-{capture.at.day}",',
            "is steady: made-up-one-gone: other ids on another day",
        ),
        (
            'raise ParseError("/proc/trays was not read")',
            "return Observation(capture.at, 'trays')",
            "there is no array",
        ),
        ('raise ParseError("/proc/trays was not read")', "text = 'left mirror/1 t1:ok'", "says that left is whole"),
        ('raise ParseError("/proc/trays was not read")', "raise ValueError", "says when nothing was read"),
        ("int(level[7:9])", "len(slots)", "survives damage: made-up-one-gone: /proc/trays cut after"),
        (
            "unread.append(Unread(number, line[:200]))",
            "raise IndexError",
            "survives damage: made-up-one-gone: /proc/tr",
        ),
    ],
)
def test_each_rule_tells_what_is_spoilt(project: Path, tmp_path: Path, old: str, new: str, fault: str) -> None:
    parser = spoilt(tmp_path, old, new)
    found = faults(parser, read_cases(project / "cases"))
    assert any(fault in line for line in found), found
    with pytest.raises(AssertionError):
        check(parser, project / "cases")


def test_without_cases_nothing_is_held(tmp_path: Path) -> None:
    assert faults(spoilt(tmp_path, "PARSER =", "PARSER ="), []) == ["understands its cases: there is no case"]
