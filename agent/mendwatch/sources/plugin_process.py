"""The process of one plug-in: loads it, and answers the agent's questions with what it says.

What a plug-in does here (hangs, ends the process, prints, takes all memory) stays here: each answer has a time limit
that the kernel itself keeps, by a signal that ends the process; so no code can hold it off, not even a regular
expression that never comes back.
"""

from __future__ import annotations

import resource
import signal
import socket
import sys
from collections.abc import Callable
from contextlib import suppress
from importlib.metadata import EntryPoint

from mendwatch.model.bounds import bounded
from mendwatch.model.errors import ParseError
from mendwatch.model.plugin import Parser
from mendwatch.sources.plugin_words import (
    CAPTURE,
    DECLARED,
    FAULT,
    MOST_ANSWER_BYTES,
    OBSERVATION,
    PARSE,
    READS,
    TOLD,
    UNCLEAR,
    Declared,
    asked_for,
    read_observation,
    read_wants,
    receive,
    send,
)

MOST_MEMORY_BYTES = 1 << 30
_ASKED = ("name", "program", "present_if", "wants", "parse")
_WORDS = 300


def main(arguments: list[str]) -> None:
    """Serve until the agent hangs up.

    Args:
        arguments: the number of the socket, the entry point's name and value, the time limit of an answer in seconds.
    """
    number, name, value, limit_s = arguments
    channel = socket.socket(fileno=int(number))
    with suppress(OSError, ValueError):  # forbidden by a sandbox: then without
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY_BYTES, MOST_MEMORY_BYTES))
    parser: Parser | None = None

    def load() -> bytes:
        nonlocal parser
        parser = EntryPoint(name, value, "mendwatch.parsers").load()
        return _declared(parser, name, value)

    _answer(channel, load, float(limit_s), f"{value} fails to load: ")
    while parser is not None:
        try:
            kind, text = receive(channel)
        except (EOFError, OSError):
            return
        _answer(channel, _question(parser, kind, text), float(limit_s))


def _question(parser: Parser, kind: bytes, text: bytes) -> Callable[[], bytes]:
    """What answers it. All that can be said against an answer is found here, where finding it cannot cost the agent."""

    def parse() -> bytes:
        capture = CAPTURE.validate_json(text)
        seen = parser.parse(capture)
        try:
            told = OBSERVATION.dump_json(seen, warnings=False)
            return OBSERVATION.dump_json(bounded(read_observation(told), capture))
        except (ValueError, ParseError) as error:
            raise _RefusedError(str(error)) from error

    def wants() -> bytes:
        wanted = asked_for(parser.wants(READS.validate_json(text)))
        try:
            read_wants(wanted)
        except ValueError as error:
            raise _RefusedError(str(error)) from error
        return wanted

    return parse if kind == PARSE else wants


def _answer(channel: socket.socket, do: Callable[[], bytes], limit_s: float, fault: str = "") -> None:
    signal.signal(signal.SIGALRM, signal.SIG_DFL)
    signal.setitimer(signal.ITIMER_REAL, limit_s)
    try:
        kind, text = TOLD, do()
    except ParseError as error:
        kind, text = UNCLEAR, _words(error, str)
    except _RefusedError as error:
        kind, text = FAULT, _words(error, str)
    except BaseException as error:  # noqa: BLE001 - whatever a plug-in throws, its end included, is told to the agent
        kind, text = FAULT, fault.encode() + _words(error, repr)
    signal.setitimer(signal.ITIMER_REAL, 0)
    try:
        send(channel, kind, text, MOST_ANSWER_BYTES)
    except ValueError as error:
        send(channel, FAULT, _words(error, str))


class _RefusedError(Exception):
    """It is no storage system, or says what cannot be used."""


def _declared(parser: object, name: str, value: str) -> bytes:
    lacks = [part for part in _ASKED if not hasattr(parser, part)]
    if lacks:
        message = f"{value} is no storage system: it lacks {', '.join(lacks)}"
        raise _RefusedError(message)
    told: Parser = parser  # type: ignore[assignment] # it has all the parts; whether they are right is seen below
    if told.name != name:
        message = f"{value} calls itself {told.name!r}, but is installed as {name!r}"
        raise _RefusedError(message)
    return DECLARED.dump_json(Declared(told.name, told.program, told.present_if), warnings=False)


def _words(error: BaseException, say: Callable[[BaseException], str]) -> bytes:
    try:
        text = say(error)[:_WORDS]
    except BaseException:  # noqa: BLE001 - an error that cannot even be shown
        text = type(error).__name__
    return text.encode("utf-8", "replace")


if __name__ == "__main__":
    with suppress(OSError):  # the agent hung up
        main(sys.argv[1:])
