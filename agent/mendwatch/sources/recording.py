"""Recordings: what the agent saw, kept so that it can be played again (JSON Lines, plain or gzip)."""

from __future__ import annotations

import gzip
import heapq
import json
import math
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, fields
from datetime import UTC
from pathlib import Path
from typing import IO, TypeAlias, cast
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime, ConfigDict, TypeAdapter, ValidationError

from mendwatch.model.capture import Capture, CommandRead, DiskCounters, DriveFacts, FileRead, Read
from mendwatch.model.errors import UsageError

VERSION = 1

# Far above any honest poll (1,200 drives are about 1 MB), far below what would hurt the host.
_LINE_LIMIT_BYTES = 64 * 1024 * 1024
_GZIP_MAGIC = b"\x1f\x8b"


@dataclass(frozen=True, slots=True)
class Header:
    """The first line of a recording; ``timezone`` is the zone in which the tools printed dates without one."""

    host: str | None = None
    timezone: str = "UTC"
    note: str | None = None


@dataclass(frozen=True, slots=True)
class BrokenLine:
    """A line that could not be played; ``number`` counts from 1, the header included."""

    number: int
    why: str
    file: str = ""


Line: TypeAlias = Capture | BrokenLine


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording that is being played; ``lines`` can be gone through once."""

    file: str
    header: Header
    lines: Iterator[Line]


# The two shapes below say what a line may hold. Every field but ``at`` and ``source`` may be absent or null, since
# recordings come from hosts and versions that knew less.
_STRICT = ConfigDict(strict=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class _Read:
    __pydantic_config__ = _STRICT
    argv: tuple[str, ...] | None = None
    exit: int | None = None
    stdout: str | None = None
    stderr: str | None = None
    seconds: float | None = None
    path: str | None = None
    text: str | None = None
    error: str | None = None


@dataclass(frozen=True, slots=True)
class _Poll:
    __pydantic_config__ = _STRICT
    at: AwareDatetime
    source: str
    reads: tuple[_Read, ...] | None = None
    boot: str | None = None
    up: float | None = None
    disks: dict[str, DiskCounters] | None = None
    partitions: dict[str, DiskCounters] | None = None
    array_devices: dict[str, DiskCounters] | None = None
    links: dict[str, tuple[str, ...]] | None = None
    drives: dict[str, DriveFacts] | None = None


@dataclass(frozen=True, slots=True)
class _Head:
    __pydantic_config__ = _STRICT
    recording: int
    host: str | None = None
    timezone: str | None = None
    note: str | None = None


_POLL = TypeAdapter(_Poll)
_HEAD = TypeAdapter(_Head)


def read_recording(path: Path) -> Recording:
    """Open a recording; its polls are read one by one while they are played.

    Raises:
        UsageError: the file cannot be read or is no recording. A broken line further down is yielded instead.
    """
    if not path.is_file():
        message = f"{path}: no such file, or not a regular one; name a recording (.jsonl or .jsonl.gz)"
        raise UsageError(message)
    try:
        with _open(path) as stream:
            first = stream.readline(_LINE_LIMIT_BYTES)
    except (OSError, EOFError, zlib.error) as error:
        message = f"{path}: cannot be read ({_reason(error)}); check its rights, or copy it again"
        raise UsageError(message) from error
    header = _header(path, first)
    return Recording(str(path), header, _lines(path, header.timezone))


def merge(recordings: Sequence[Recording]) -> Iterator[Line]:
    """Play several recordings of one host as one, by time, each in its own order.

    A clock that was set back within a file must not tear its polls apart from the other files' of the same hour: from
    that line on, the file's times are held against the others' as if no time had passed at the step.

    Raises:
        UsageError: the recordings are of different hosts.
    """
    hosts = {recording.header.host for recording in recordings if recording.header.host is not None}
    if len(hosts) > 1:
        named = ", ".join(f"{one.file} ({one.header.host or 'no host'})" for one in recordings)
        message = f"these recordings are of different hosts: {named}; play those of one host at a time"
        raise UsageError(message)
    timed = [_timed(recording.lines) for recording in recordings]
    return (line for _, line in heapq.merge(*timed, key=lambda pair: pair[0]))


class RecordingWriter:
    """Writes a recording, one poll at a time; each is on its way to the disk before the next is taken.

    Raises:
        UsageError: the file exists (and is not to be replaced), or cannot be written.
    """

    def __init__(self, path: Path, header: Header, *, overwrite: bool = False) -> None:
        self._path = path
        mode = "wb" if overwrite else "xb"
        try:
            if path.suffix == ".gz":
                self._stream = cast("IO[bytes]", gzip.open(path, mode))  # noqa: SIM115 - closed by close()
            else:
                self._stream = path.open(mode)
        except FileExistsError as error:
            message = f"{path}: exists already; choose another name, or say --force to replace it"
            raise UsageError(message) from error
        except OSError as error:
            raise self._unwritable(error) from error
        self._write(header_to_json(header))

    def append(self, capture: Capture) -> None:
        """Write one poll.

        Raises:
            UsageError: the file cannot be written.
        """
        self._write(capture_to_json(capture))

    def close(self) -> None:
        """End the file.

        Raises:
            UsageError: the file cannot be written.
        """
        try:
            self._stream.close()
        except OSError as error:
            raise self._unwritable(error) from error

    def __enter__(self) -> RecordingWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _write(self, known: dict[str, object]) -> None:
        try:
            self._stream.write(to_line(known))
            # What was written can be read even if the recorder is killed: gzip, too, ends a block here.
            self._stream.flush()
        except OSError as error:
            raise self._unwritable(error) from error

    def _unwritable(self, error: OSError) -> UsageError:
        return UsageError(f"{self._path}: cannot be written ({_reason(error)}); choose another place, or make room")


def header_to_json(header: Header) -> dict[str, object]:
    """The first line of a recording, as JSON values."""
    known: dict[str, object] = {"recording": VERSION}
    if header.host is not None:
        known["host"] = header.host
    known["timezone"] = header.timezone
    if header.note is not None:
        known["note"] = header.note
    return known


def capture_to_json(capture: Capture) -> dict[str, object]:
    """One poll in the recording's form; what is not known is left out."""
    known: dict[str, object] = {
        "at": capture.at.astimezone(UTC).isoformat().replace("+00:00", "Z"),
        "source": capture.source,
    }
    if capture.boot is not None:
        known["boot"] = capture.boot
    if capture.up is not None:
        known["up"] = capture.up
    known["reads"] = [_read_to_json(read) for read in capture.reads]
    tables: dict[str, dict[str, DiskCounters] | dict[str, DriveFacts]] = {
        "disks": capture.disks,
        "partitions": capture.partitions,
        "array_devices": capture.array_devices,
        "drives": capture.drives,
    }
    for key, table in tables.items():
        if table:
            known[key] = {name: _known(row) for name, row in table.items()}
    if capture.links:
        known["links"] = {name: list(disks) for name, disks in capture.links.items()}
    return known


def to_line(known: dict[str, object]) -> bytes:
    """One line of a recording, as bytes with its end."""
    # A lone surrogate (a name that is no UTF-8) has no place in JSON and would make the line unreadable.
    return json.dumps(known, ensure_ascii=False).encode("utf-8", "replace") + b"\n"


def _read_to_json(read: Read) -> dict[str, object]:
    if isinstance(read, FileRead):
        if read.text is None:
            return {"path": read.path, "error": read.error or "not read"}
        return {"path": read.path, "text": read.text}
    known: dict[str, object] = {
        "argv": list(read.argv),
        "exit": read.exit,
        "stdout": read.stdout,
        "stderr": read.stderr,
    }
    if read.seconds is not None:
        known["seconds"] = round(read.seconds, 4)
    if read.error is not None:
        known["error"] = read.error
    return known


def _known(row: DiskCounters | DriveFacts) -> dict[str, object]:
    return {field.name: value for field in fields(row) if (value := getattr(row, field.name)) is not None}


def _open(path: Path) -> IO[bytes]:
    stream = path.open("rb")
    packed = stream.read(len(_GZIP_MAGIC)) == _GZIP_MAGIC
    stream.seek(0)
    if not packed:
        return stream
    stream.close()
    return cast("IO[bytes]", gzip.open(path, "rb"))


def _header(path: Path, first: bytes) -> Header:
    try:
        head = _HEAD.validate_json(first)
    except ValidationError as error:
        message = f'{path}: no recording, its first line is not {{"recording": {VERSION}, …}} ({_where(error)})'
        raise UsageError(message) from error
    if head.recording != VERSION:
        message = f"{path}: a recording of form {head.recording}; this version reads form {VERSION}"
        raise UsageError(message)
    zone = head.timezone or "UTC"
    try:
        ZoneInfo(zone)
    except (KeyError, ValueError, OSError) as error:
        message = f'{path}: unknown time zone {zone!r} in the first line; give one such as "Europe/Paris" or "UTC"'
        raise UsageError(message) from error
    return Header(head.host, zone, head.note)


def _lines(path: Path, zone: str) -> Iterator[Line]:
    file = str(path)
    number = 1
    try:
        with _open(path) as stream:
            stream.readline(_LINE_LIMIT_BYTES)
            while line := stream.readline(_LINE_LIMIT_BYTES):
                number += 1
                if len(line) == _LINE_LIMIT_BYTES and not line.endswith(b"\n"):
                    _skip_line(stream)
                    yield BrokenLine(number, f"longer than {_LINE_LIMIT_BYTES} bytes", file)
                elif not line.isspace():
                    yield _line(line, number, file, zone)
    except (OSError, EOFError, zlib.error) as error:
        yield BrokenLine(number + 1, f"the rest cannot be read ({_reason(error)})", file)


def _skip_line(stream: IO[bytes]) -> None:
    while (part := stream.readline(_LINE_LIMIT_BYTES)) and not part.endswith(b"\n"):
        pass


def _line(line: bytes, number: int, file: str, zone: str) -> Line:
    try:
        poll = _POLL.validate_json(line)
        reads = tuple(_read(read) for read in poll.reads or ())
        at = poll.at.astimezone(UTC)
    except ValidationError as error:
        return BrokenLine(number, _where(error), file)
    except (ValueError, OverflowError) as error:
        return BrokenLine(number, str(error), file)
    return Capture(
        at=at,
        source=poll.source,
        reads=reads,
        boot=poll.boot,
        up=poll.up,
        zone=zone,
        disks=poll.disks or {},
        partitions=poll.partitions or {},
        array_devices=poll.array_devices or {},
        links=poll.links or {},
        drives=poll.drives or {},
    )


def _read(read: _Read) -> Read:
    if read.argv:
        return CommandRead(read.argv, read.exit, read.stdout or "", read.stderr or "", read.seconds, read.error)
    if read.path:
        unread = "the recording holds no text" if read.text is None else None
        return FileRead(read.path, read.text, read.error or unread)
    message = "a reading with neither argv nor path"
    raise ValueError(message)


def _where(error: ValidationError) -> str:
    first = error.errors(include_url=False, include_input=False, include_context=False)[0]
    place = ".".join(str(part) for part in first["loc"])
    return f"{place}: {first['msg']}" if place else str(first["msg"])


def _reason(error: Exception) -> str:
    if isinstance(error, OSError) and error.strerror:
        return error.strerror
    return str(error)


def _timed(lines: Iterable[Line]) -> Iterator[tuple[float, Line]]:
    """Each line with the time by which it is held against other files' lines; that time never goes back."""
    last = -math.inf
    shift_s = 0.0
    for line in lines:
        if isinstance(line, Capture):
            at_s = line.at.timestamp()
            if at_s + shift_s < last:
                shift_s = last - at_s
            last = at_s + shift_s
        yield last, line
