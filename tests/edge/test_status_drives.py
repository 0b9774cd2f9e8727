"""``mendwatch status`` over a real recording: the drive that left and the one being filled, by serial number."""

import gzip
import json
from itertools import islice
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner

from mendwatch.cli import replay, status
from support.recordings import FILES

RECORDING = FILES["md-6.12-collapse-A"]
POLLS = 40  # the third drive has been pulled, the new one takes its place


@pytest.fixture
def history(tmp_path: Path) -> Path:
    """What the agent would hold in the middle of that rebuild."""
    part = tmp_path / "part.jsonl"
    with gzip.open(RECORDING, "rt", encoding="utf-8") as stream:
        part.write_text("".join(islice(stream, POLLS)), encoding="utf-8")
    place = tmp_path / "history.db"
    run(replay.command, str(part), "--history", str(place))
    return place


def run(verb: object, *arguments: str) -> str:
    app = typer.Typer()
    app.command()(verb)  # type: ignore[type-var]
    result = CliRunner().invoke(app, list(arguments))
    assert result.exit_code == 0, result.output
    return result.stdout


def test_drives_in_trouble_are_named_and_all_are_on_request(history: Path) -> None:
    few = run(status.command, "--history", str(history))
    assert [line.split(": ")[0].split() for line in few.splitlines() if "serial" in line] == [
        ["drive", "vdh"],
        ["not", "listed", "now", "vdc"],
    ]
    assert max(map(len, few.splitlines())) <= 80
    every = run(status.command, "--history", str(history), "--drives")
    assert every.count("serial LAB-M") == 5


def test_json_holds_every_drive(history: Path) -> None:
    (array,) = json.loads(run(status.command, "--history", str(history), "--json"))["arrays"]
    drives = {drive["member"]: drive for drive in array["drives"]}
    assert sorted(drives) == ["vda", "vdb", "vdc", "vdd", "vdh"]
    assert {name for name, drive in drives.items() if not drive["listed"]} == {"vdc"}
    assert drives["vdh"]["serial"] == "LAB-MS1"
    assert {"logical_sector_bytes", "physical_sector_bytes", "write_cache", "io_errors"} <= drives["vdh"].keys()
    assert array["shared_drives"] == []
