"""How the agent and the process of a plug-in talk: framed messages over one socket, in JSON."""

from __future__ import annotations

import socket
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from typing import TypeAlias, TypeVar

from pydantic import TypeAdapter, ValidationError

from mendwatch.model.capture import Capture, Read
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import Command, File, Files, Want

T = TypeVar("T")

MOST_QUESTION_BYTES = 64 * 1024 * 1024
MOST_ANSWER_BYTES = 8 * 1024 * 1024  # the agent pays for an answer many times its length in memory
MOST_WANTS = 100_000
_LENGTH_BYTES = 8
_CHUNK_BYTES = 1 << 20

# The first byte of an answer: what was asked for, the plug-in's own ParseError, or its fault.
TOLD, UNCLEAR, FAULT = b"+", b"?", b"!"
# The first byte of a question.
WANTS, PARSE = b"w", b"p"


@dataclass(frozen=True, slots=True)
class Declared:
    """What a plug-in says of itself."""

    name: str
    program: str | None
    present_if: tuple[str, ...]


Reads: TypeAlias = tuple[Read, ...]
Wants: TypeAlias = tuple[Want, ...]

DECLARED = TypeAdapter(Declared)
READS: TypeAdapter[Reads] = TypeAdapter(Reads)
CAPTURE = TypeAdapter(Capture)
WANTED: TypeAdapter[Wants] = TypeAdapter(Wants)
OBSERVATION = TypeAdapter(Observation)


def read_declared(told: bytes) -> Declared:
    """What a plug-in says of itself.

    Raises:
        ValueError: it is no storage system: with what is wrong.
    """
    declared = _validated(DECLARED, told)
    program = declared.program
    if program is not None and (not program or "/" in program):
        message = f"no storage system: program {program!r} is not the bare name of one"
        raise ValueError(message)
    for pattern in declared.present_if:
        if not pattern.startswith("/") or not pattern.strip("/") or "**" in pattern:
            message = f"no storage system: {pattern!r} in present_if is no absolute path or glob"
            raise ValueError(message)
    return declared


def asked_for(wanted: object) -> bytes:
    """What ``wants`` returned, as a message; however much it is, only so many are taken.

    Raises:
        TypeError: it cannot be gone through.
    """
    if not isinstance(wanted, Iterable):
        message = f"wants returned {type(wanted).__name__}, not a tuple"
        raise TypeError(message)
    return WANTED.dump_json(tuple(islice(wanted, MOST_WANTS + 1)), warnings=False)


def read_wants(told: bytes) -> Wants:
    """What a plug-in wants read.

    Raises:
        ValueError: it is nothing that the agent reads: with the place.
    """
    wants = _validated(WANTED, told)
    if len(wants) > MOST_WANTS:
        message = f"wants more than {MOST_WANTS} readings"
        raise ValueError(message)
    for want in wants:
        why = refused(want)
        if why is not None:
            message = f"wants {want!r}, {why}"
            raise ValueError(message)
    return wants


def refused(want: Want) -> str | None:
    """Why the agent does not read this, None if it does."""
    match want:
        case Command(argv):
            if not argv or not argv[0] or "/" in argv[0]:
                return "which does not begin with the bare name of a program"
            return "with a NUL in it" if any("\0" in word for word in argv) else None
        case File(path) | Files(path):
            if not path.startswith("/") or ".." in path.split("/") or "\0" in path:
                return "which is no absolute path"
            return "which would search a whole tree" if isinstance(want, Files) and "**" in path else None


def read_observation(told: bytes) -> Observation:
    """What a plug-in understood.

    Raises:
        ValueError: it is no observation: with the place.
    """
    return _validated(OBSERVATION, told)


def _validated(adapter: TypeAdapter[T], told: bytes) -> T:
    try:
        return adapter.validate_json(told, strict=True)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        place = ".".join(str(step) for step in first["loc"])
        message = f"what it says cannot be used: {place}{': ' if place else ''}{first['msg']}"
        raise ValueError(message) from error


def send(channel: socket.socket, kind: bytes, text: bytes, most: int = MOST_QUESTION_BYTES) -> None:
    """Send one message.

    Raises:
        OSError: the other side is gone, or takes nothing in time.
        ValueError: it is too long.
    """
    if len(text) > most:
        message = f"more than {most} bytes"
        raise ValueError(message)
    channel.sendall((len(text) + 1).to_bytes(_LENGTH_BYTES, "big") + kind + text)


def receive(channel: socket.socket, most: int = MOST_QUESTION_BYTES) -> tuple[bytes, bytes]:
    """The next message: its kind and its text.

    Raises:
        EOFError: the other side is gone.
        OSError: nothing came in time.
        ValueError: it is too long.
    """
    length = int.from_bytes(_exactly(channel, _LENGTH_BYTES), "big")
    if not 0 < length <= most + 1:
        message = f"a message of {length} bytes"
        raise ValueError(message)
    text = _exactly(channel, length)
    return text[:1], text[1:]


def _exactly(channel: socket.socket, count: int) -> bytes:
    parts: list[bytes] = []
    while count > 0:
        part = channel.recv(min(count, _CHUNK_BYTES))
        if not part:
            raise EOFError
        parts.append(part)
        count -= len(part)
    return b"".join(parts)
