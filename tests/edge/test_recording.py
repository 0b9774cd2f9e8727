"""Recordings: read whole and broken, merged by time, written and read back."""

import gzip
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from mendwatch.model.capture import Capture, CommandRead, DiskCounters, DriveFacts, FileRead
from mendwatch.model.errors import UsageError
from mendwatch.sources.recording import (
    BrokenLine,
    Header,
    Line,
    RecordingWriter,
    capture_to_json,
    merge,
    read_recording,
    to_line,
)
from support.recordings import FILES

REAL = [*FILES.values()]
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def write(path: Path, *lines: object) -> Path:
    path.write_bytes(b"".join(line if isinstance(line, bytes) else to_line(line) for line in lines))  # type: ignore[arg-type]
    return path


def poll(minute: float, source: str = "md", **more: object) -> dict[str, Any]:
    return {"at": (NOON + timedelta(minutes=minute)).isoformat(), "source": source, **more}


def broken(lines: list[Line]) -> list[tuple[int, str]]:
    return [(line.number, line.why) for line in lines if isinstance(line, BrokenLine)]


def captures(lines: list[Line]) -> list[Capture]:
    return [line for line in lines if isinstance(line, Capture)]


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name.removesuffix(".jsonl.gz"))
def test_every_line_of_a_real_capture_is_played_as_it_stands(path: Path) -> None:
    raw = [json.loads(line) for line in gzip.decompress(path.read_bytes()).splitlines()[1:]]
    lines = list(read_recording(path).lines)
    assert broken(lines) == []
    assert len(lines) == len(raw)
    for told, line in zip(raw, lines, strict=True):
        assert isinstance(line, Capture)
        again = capture_to_json(line)
        assert datetime.fromisoformat(str(again["at"])) == datetime.fromisoformat(told["at"])
        for mine, theirs in zip(line.reads, told["reads"], strict=True):
            if isinstance(mine, CommandRead):
                assert [list(mine.argv), mine.exit, mine.stdout] == [theirs["argv"], theirs["exit"], theirs["stdout"]]
            else:
                assert (mine.path, mine.text) == (theirs["path"], theirs.get("text"))
        assert again.get("disks", {}) == told.get("disks", {})
        assert again.get("partitions", {}) == told.get("partitions", {})
        assert again.get("array_devices", {}) == told.get("array_devices", {})
        assert again.get("links", {}) == told.get("links", {})


def test_a_capture_comes_back_from_the_file_as_it_was(tmp_path: Path) -> None:
    capture = Capture(
        at=NOON + timedelta(microseconds=250000),
        source="zfs",
        reads=(
            CommandRead(("zpool", "status"), 0, "pool: köln\n", "", 0.25),
            CommandRead(("zpool", "status", "-j"), None, error="no answer within 20 s"),
            FileRead("/proc/mdstat", "Personalities :\n"),
            FileRead("/sys/x", None, "Permission denied"),
        ),
        boot="b1",
        up=12.5,
        zone="Europe/Paris",
        disks={"sda": DiskCounters(read_bytes=0, write_bytes=7)},
        partitions={"sda1": DiskCounters(in_flight=3)},
        array_devices={"md0": DiskCounters(busy_ms=1)},
        links={"sda1": ("sda",)},
        drives={"sda": DriveFacts(model="M", rotational=False)},
    )
    for name in ("a.jsonl", "a.jsonl.gz"):
        with RecordingWriter(tmp_path / name, Header("h", "Europe/Paris", "n")) as writer:
            writer.append(capture)
        recording = read_recording(tmp_path / name)
        assert recording.header == Header("h", "Europe/Paris", "n")
        assert list(recording.lines) == [capture]
    assert (tmp_path / "a.jsonl.gz").read_bytes()[:2] == b"\x1f\x8b"


def test_what_is_not_known_is_left_out() -> None:
    told = capture_to_json(Capture(NOON, "md", disks={"sda": DiskCounters(read_bytes=0)}))
    assert told == {
        "at": "2026-03-01T12:00:00Z",
        "source": "md",
        "reads": [],
        "disks": {"sda": {"read_bytes": 0}},
    }


def test_a_name_that_is_no_utf8_does_not_spoil_the_line(tmp_path: Path) -> None:
    capture = Capture(NOON, "md", (FileRead("/sys/\udcff", "x"),))
    with RecordingWriter(tmp_path / "a.jsonl", Header()) as writer:
        writer.append(capture)
    assert list(read_recording(tmp_path / "a.jsonl").lines) == [replace(capture, reads=(FileRead("/sys/?", "x"),))]


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"{not json\n", "JSON"),
        (b'{"source": "md"}\n', "at"),
        (b'{"at": "2026-03-01T12:00:00Z"}\n', "source"),
        (b'{"at": 1772366400, "source": "md"}\n', "at"),
        (b'{"at": "2026-03-01T12:00:00", "source": "md"}\n', "at"),
        (b'{"at": "2026-03-01T12:00:00Z", "source": 5}\n', "source"),
        (b'{"at": "2026-03-01T12:00:00Z", "source": "md", "up": NaN}\n', "up"),
        (b'{"at": "2026-03-01T12:00:00Z", "source": "md", "reads": [{"argv": "zpool status", "exit": 0}]}\n', "argv"),
        (b'{"at": "2026-03-01T12:00:00Z", "source": "md", "reads": [{"stdout": ""}]}\n', "neither argv nor path"),
        (b'{"at": "2026-03-01T12:00:00Z", "source": "md", "disks": {"sda": {"read_bytes": "7"}}}\n', "read_bytes"),
        (b'{"at": "0001-01-01T00:00:00+12:00", "source": "md"}\n', ""),
        (b"[1, 2]\n", ""),
        (b"\xff\xfe\x00\n", ""),
    ],
)
def test_a_broken_line_is_named_and_the_rest_is_played(tmp_path: Path, line: bytes, why: str) -> None:
    path = write(tmp_path / "a.jsonl", {"recording": 1}, poll(0), line, b"\n", poll(1))
    lines = list(read_recording(path).lines)
    ((number, told),) = broken(lines)
    assert number == 3
    assert why in told
    assert [one.at for one in captures(lines)] == [NOON, NOON + timedelta(minutes=1)]


def test_unknown_keys_and_nulls_are_no_fault(tmp_path: Path) -> None:
    reads = [{"argv": ["zpool", "status"], "exit": None, "stdout": None, "stderr": None, "error": "late", "new": 1}]
    line = poll(
        0, reads=reads, disks=None, links=None, drives={"sda": {"model": None, "colour": "red"}}, boot=None, x=1
    )
    path = write(tmp_path / "a.jsonl", {"recording": 1, "future": True}, line)
    assert list(read_recording(path).lines) == [
        Capture(NOON, "md", (CommandRead(("zpool", "status"), None, error="late"),), drives={"sda": DriveFacts()})
    ]


def test_the_zone_is_the_header_s_whatever_a_line_says(tmp_path: Path) -> None:
    path = write(tmp_path / "a.jsonl", {"recording": 1, "timezone": "Asia/Tokyo"}, poll(0, zone="Europe/Rome"))
    assert [line.zone for line in captures(list(read_recording(path).lines))] == ["Asia/Tokyo"]


def test_a_truncated_gzip_is_played_as_far_as_it_goes(tmp_path: Path) -> None:
    whole = REAL[0].read_bytes()
    path = tmp_path / "cut.jsonl.gz"
    path.write_bytes(whole[: len(whole) // 2])
    lines = list(read_recording(path).lines)
    assert len(captures(lines)) > 3
    ((number, why),) = broken(lines)
    assert isinstance(lines[-1], BrokenLine)
    assert number == len(lines) + 1
    assert "the rest cannot be read" in why


def test_a_damaged_gzip_is_played_up_to_the_damage(tmp_path: Path) -> None:
    whole = bytearray(REAL[0].read_bytes())
    whole[len(whole) // 2] ^= 0xFF
    path = tmp_path / "bad.jsonl.gz"
    path.write_bytes(whole)
    lines = list(read_recording(path).lines)
    assert isinstance(lines[-1], BrokenLine)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "no recording"),
        (b"hello\n", "no recording"),
        (b'{"at": "2026-03-01T12:00:00Z", "source": "md"}\n', "no recording"),
        (b'{"recording": 2}\n', "form 2"),
        (b'{"recording": 1, "timezone": "Mars/North"}\n', "Mars/North"),
        (b'{"recording": 1, "timezone": "../etc"}\n', "time zone"),
        (b'{"recording": 1, "timezone": "Europe"}\n', "time zone"),
        (b"\x1f\x8b\x00broken", "cannot be read"),
    ],
)
def test_what_is_no_recording_is_refused_with_its_name(tmp_path: Path, content: bytes, told: str) -> None:
    path = tmp_path / "a.jsonl"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=told) as caught:
        read_recording(path)
    assert str(path) in str(caught.value)


def test_a_missing_file_and_a_directory_are_refused(tmp_path: Path) -> None:
    for path in (tmp_path / "absent.jsonl", tmp_path):
        with pytest.raises(UsageError, match="no such file"):
            read_recording(path)


def test_merge_goes_by_time_across_files(tmp_path: Path) -> None:
    one = write(tmp_path / "a", {"recording": 1, "host": "h"}, poll(0), poll(2), poll(4))
    two = write(tmp_path / "b", {"recording": 1, "host": "h"}, poll(1, "zfs"), poll(2, "zfs"), poll(3, "zfs"))
    lines = captures(list(merge([read_recording(one), read_recording(two)])))
    told = [(line.at - NOON).total_seconds() / 60 for line in lines]
    assert told == [0, 1, 2, 2, 3, 4]
    assert [line.source for line in lines] == ["md", "zfs", "md", "zfs", "zfs", "md"]


def test_merge_keeps_a_file_s_own_order_when_its_clock_was_set_back(tmp_path: Path) -> None:
    """Both files are of one host, whose clock goes back three hours between minute 2 and 3."""
    minutes = (0, 1, 2, -177, -176, -175)
    one = write(tmp_path / "a", {"recording": 1}, *(poll(minute) for minute in minutes))
    two = write(tmp_path / "b", {"recording": 1}, *(poll(minute + 0.5, "zfs") for minute in minutes))
    lines = captures(list(merge([read_recording(one), read_recording(two)])))
    for source, offset in (("md", 0.0), ("zfs", 0.5)):
        mine = [(line.at - NOON).total_seconds() / 60 - offset for line in lines if line.source == source]
        assert mine == list(minutes)
    order = [line.source for line in lines]
    for length in range(1, len(order) + 1):
        assert abs(order[:length].count("md") - order[:length].count("zfs")) <= 2


def test_merge_tells_which_file_a_broken_line_is_in(tmp_path: Path) -> None:
    one = write(tmp_path / "a", {"recording": 1}, b"x\n", poll(2))
    two = write(tmp_path / "b", {"recording": 1}, poll(1), b"y\n")
    lines = list(merge([read_recording(one), read_recording(two)]))
    assert [(Path(line.file).name, line.number) for line in lines if isinstance(line, BrokenLine)] == [
        ("a", 2),
        ("b", 3),
    ]


def test_unlike_hosts_are_refused_and_an_unnamed_one_is_not(tmp_path: Path) -> None:
    one, two, three = (
        write(tmp_path / name, {"recording": 1, "host": host}, poll(0))
        for name, host in (("a", "one"), ("b", "two"), ("c", None))
    )
    with pytest.raises(UsageError, match="different hosts"):
        merge([read_recording(one), read_recording(two)])
    assert len(list(merge([read_recording(one), read_recording(three)]))) == 2


def test_a_recording_is_never_overwritten_unasked(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text("precious")
    with pytest.raises(UsageError, match="--force"):
        RecordingWriter(path, Header())
    assert path.read_text() == "precious"
    RecordingWriter(path, Header("h"), overwrite=True).close()
    assert read_recording(path).header.host == "h"


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="absent"):
        RecordingWriter(tmp_path / "absent" / "a.jsonl", Header())


def test_what_was_recorded_can_be_read_while_the_recorder_still_runs(tmp_path: Path) -> None:
    path = tmp_path / "a.jsonl.gz"
    with RecordingWriter(path, Header()) as writer:
        for minute in range(3):
            writer.append(Capture(NOON + timedelta(minutes=minute), "md"))
        lines = list(read_recording(path).lines)
    assert len(captures(lines)) == 3
