"""The verb writes a recording that the player reads back."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendwatch.cli.simulate import command
from mendwatch.model.capture import Capture
from mendwatch.model.errors import UsageError
from mendwatch.simulator import Kind
from mendwatch.sources.recording import read_recording


def test_the_recording_says_that_it_is_invented_and_can_be_played(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "invented.jsonl.gz"
    command(Kind.HEALTHY, file, every="10m", size="500GB", host="store-9")
    recording = read_recording(file)
    assert recording.header.host == "store-9"
    assert recording.header.note is not None
    assert "Invented" in recording.header.note
    played = [line for line in recording.lines if isinstance(line, Capture)]
    assert f"{len(played)} polls" in capsys.readouterr().out
    assert max(row.read_bytes or 0 for row in played[-1].disks.values()) > 10**11
    assert {facts.model for facts in played[-1].drives.values()} == {"EX500-C"}
    assert len(played) > 15


def test_a_file_is_replaced_only_when_asked(tmp_path: Path) -> None:
    file = tmp_path / "there.jsonl"
    file.write_text("mine")
    with pytest.raises(UsageError, match="--force"):
        command(Kind.HEALTHY, file, every="1h", size="100GB")
    assert file.read_text() == "mine"
    command(Kind.HEALTHY, file, every="1h", size="100GB", force=True)
    assert file.read_text() != "mine"


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"size": "4"}, "4TB"),
        ({"size": "90TB"}, "40TB"),
        ({"every": "60"}, "unit|duration"),
        ({"drives": 40}, "4 to 12"),
        ({"system": "other"}, "zfs or md"),
    ],
)
def test_what_cannot_be_invented_is_refused_before_a_file_is_made(
    tmp_path: Path, wrong: dict[str, object], word: str
) -> None:
    file = tmp_path / "none.jsonl"
    with pytest.raises(UsageError, match=word):
        command(Kind.HEALTHY, file, **wrong)  # type: ignore[arg-type]
    assert not file.exists()
