"""``mendwatch record`` with a storage system of its own, on a made-up host."""

import os
import re
import signal
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from mendwatch.cli.record import command
from mendwatch.model.capture import Capture
from mendwatch.model.errors import SourceError, UsageError
from mendwatch.sources.recording import Recording, read_recording
from support.block_tree import BlockTree

MODULE = """
from mendwatch.model.observation import Array, IdKind, Member, Observation, Role
from mendwatch.model.plugin import Command, File

class Trays:
    name = "trays"
    program = "trays"
    present_if = ("/proc/trays",)

    def wants(self, reads):
        return (Command(("trays", "status")), File("/proc/trays"))

    def parse(self, capture):
        member = Member("ata-EXAMPLE_ACME77-part1", Role.DATA, None, None, "ok", good=True, rebuilding=False)
        one = Array("ledger", "ledger", IdKind.NAME, "trays", "mirror", "ok", 1, 1, None, 0, 0, (member,), (), None)
        return Observation(capture.at, capture.source, (one,))

PARSER = Trays()
"""


@pytest.fixture
def host(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A host with one array of trays; the folder holds the configuration, and what is recorded."""
    site = tmp_path / "site"
    (site / "trays-1.0.dist-info").mkdir(parents=True)
    (site / "trays_plugin.py").write_text(MODULE)
    (site / "trays-1.0.dist-info/METADATA").write_text("Metadata-Version: 2.1\nName: trays\nVersion: 1.0\n")
    (site / "trays-1.0.dist-info/entry_points.txt").write_text("[mendwatch.parsers]\ntrays = trays_plugin:PARSER\n")
    monkeypatch.syspath_prepend(str(site))
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join((str(site), str(Path(__file__).parent.parent))))
    tree = BlockTree(tmp_path / "host")
    tree.disk("sda", serial="ACME77")
    tree.partition("sda", "sda1")
    tree.link("/dev/disk/by-id/ata-EXAMPLE_ACME77-part1", "sda1")
    tree.attributes(tree.root, {"proc__trays": "ledger fine"})
    tool = tmp_path / "trays"
    tool.write_text("#!/bin/sh\necho '  pool: ledger'; echo ACME77 is fine on store-1; date +%Z\n")
    tool.chmod(0o755)
    (tmp_path / "mendwatch.toml").write_text(
        f'[host]\nname = "store-1"\nroot = "{tree.root}"\n[source.trays]\ncommand = "{tool}"\n'
    )
    return tmp_path


def record(host: Path, *arguments: str) -> tuple[int, str, str]:
    app = typer.Typer()
    app.command()(command)
    result = CliRunner().invoke(app, ["--config", str(host / "mendwatch.toml"), *arguments], catch_exceptions=True)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout, result.stderr


def read(path: Path) -> tuple[Recording, list[Capture]]:
    recording = read_recording(path)
    lines = list(recording.lines)
    captures = [line for line in lines if isinstance(line, Capture)]
    assert len(captures) == len(lines)
    return recording, captures


def test_one_poll_is_recorded_with_all_that_stands_behind_it(host: Path) -> None:
    code, out, said = record(host, "--output", str(host / "a.jsonl.gz"))
    assert (code, out) == (0, "")
    assert "Recorded 1 poll of trays" in said
    recording, (capture,) = read(host / "a.jsonl.gz")
    assert (recording.header.host, recording.header.timezone) == ("store-1", "UTC")
    (answer,) = capture.commands()
    assert (answer.argv, answer.exit) == (("trays", "status"), 0)
    assert answer.stdout == "  pool: ledger\nACME77 is fine on store-1\nUTC\n"
    assert capture.file("/proc/trays") == "ledger fine\n"
    assert capture.links == {"ata-EXAMPLE_ACME77-part1": ("sda",)}
    assert capture.drives["sda"].serial == "ACME77"
    assert (list(capture.disks), list(capture.partitions)) == (["sda"], ["sda1"])
    assert capture.up == 4321.5


def test_standard_output_is_a_recording_and_nothing_else(host: Path) -> None:
    code, out, said = record(host)
    assert code == 0
    assert "Recorded 1 poll" in said
    (host / "a.jsonl").write_text(out)
    assert len(read(host / "a.jsonl")[1]) == 1


def test_a_redacted_recording_names_nobody(host: Path) -> None:
    code, _, said = record(host, "--output", str(host / "a.jsonl"), "--redact")
    assert code == 0
    assert "Look it through" in said
    text = (host / "a.jsonl").read_text()
    for secret in ("ledger", "ACME77", "store-1"):
        assert secret not in text
    recording, (capture,) = read(host / "a.jsonl")
    told = capture.commands()[0].stdout
    assert capture.drives["sda"].serial == told.split()[2]
    (link,) = capture.links
    assert re.fullmatch(rf"ata-[A-Z]{{7}}_{told.split()[2]}-part1", link)
    assert recording.header.host == told.split()[-2]


def test_it_goes_on_for_the_time_that_was_asked_for(host: Path) -> None:
    started = time.monotonic()
    record(host, "--output", str(host / "a.jsonl"), "--for", "1s", "--every", "0.4s")
    assert 0.7 < time.monotonic() - started < 3
    captures = read(host / "a.jsonl")[1]
    assert len(captures) == 3
    gaps = [(second.at - first.at).total_seconds() for first, second in pairwise(captures)]
    assert gaps == pytest.approx([0.4, 0.4], abs=0.15)


def test_a_file_that_exists_is_kept_unless_forced(host: Path) -> None:
    path = host / "a.jsonl"
    path.write_text("precious")
    with pytest.raises(UsageError, match="--force"):
        record(host, "--output", str(path))
    assert path.read_text() == "precious"
    assert record(host, "--output", str(path), "--force")[0] == 0
    assert len(read(path)[1]) == 1


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--source", "barrels"), "no such source"),
        (("--for", "10"), "--for"),
        (("--every", "soon"), "--every"),
        (("--output", "/nonexistent/a.jsonl"), "/nonexistent/a.jsonl"),
    ],
)
def test_what_cannot_be_meant_is_refused(host: Path, arguments: tuple[str, ...], told: str) -> None:
    with pytest.raises(UsageError, match=told):
        record(host, *arguments)


def test_a_host_without_arrays_is_told_so_and_no_file_is_made(host: Path) -> None:
    (host / "host/proc/trays").unlink()
    with pytest.raises(SourceError, match="nothing was recorded"):
        record(host, "--output", str(host / "a.jsonl"))
    assert not (host / "a.jsonl").exists()
    # What is named is asked all the same: that it is not there is what a report may have to show.
    assert record(host, "--output", str(host / "a.jsonl"), "--source", "trays")[0] == 0
    (capture,) = read(host / "a.jsonl")[1]
    assert capture.files()[0].error == "No such file or directory"


def test_ended_by_hand_it_is_a_whole_recording(host: Path) -> None:
    path = host / "a.jsonl.gz"
    # As from a terminal: what a shell starts in the background, the tests perhaps too, begins with SIGINT ignored.
    code = "import signal, typer; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    code += "from mendwatch.cli.record import command; typer.run(command)"
    arguments = ("--config", str(host / "mendwatch.toml"), "--output", str(path), "--for", "9d", "--every", "0.2s")
    with subprocess.Popen([sys.executable, "-c", code, *arguments], stderr=subprocess.PIPE, text=True) as process:
        until = time.monotonic() + 20
        while (not path.exists() or path.stat().st_size < 400) and time.monotonic() < until:
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        try:
            _, said = process.communicate(timeout=10)
        finally:
            process.kill()
    assert process.returncode == 0, said
    assert "Recorded" in said
    assert len(read(path)[1]) >= 1
