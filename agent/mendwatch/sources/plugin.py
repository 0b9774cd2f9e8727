"""A third party's storage system, kept in a process of its own, so that nothing it does can harm the agent."""

from __future__ import annotations

import signal
import socket
import sys
import threading
import weakref
from contextlib import suppress
from typing import NoReturn

from pydantic_core import PydanticSerializationError

from mendwatch.model.capture import Capture, Read
from mendwatch.model.errors import ParseError, SourceError
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import Want
from mendwatch.sources.plugin_words import (
    CAPTURE,
    MOST_ANSWER_BYTES,
    PARSE,
    READS,
    TOLD,
    UNCLEAR,
    WANTS,
    Declared,
    read_declared,
    read_observation,
    read_wants,
    receive,
    send,
)
from mendwatch.sources.run import PythonProcess

_MODULE = "mendwatch.sources.plugin_process"
_SLACK_S = 10.0  # the process ends itself at the limit; this is how long after it we give up waiting for that
_END_S = 1.0


class Plugin:
    """The parser of a plug-in, as the agent uses it; a process that failed is replaced at the next question.

    Args:
        name: of the entry point, and so of the source.
        value: of the entry point.
        limit_s: how long one answer may take.
    """

    def __init__(self, name: str, value: str, limit_s: float) -> None:
        self.name = name
        self.program: str | None = None
        self.present_if: tuple[str, ...] = ()
        self._value = value
        self._limit_s = limit_s
        self._lock = threading.Lock()
        self._process: _Process | None = None

    def begin(self) -> None:
        """Start the process without waiting for it; what fails is told by :meth:`meet`."""
        with suppress(OSError):
            self._process = _Process(self.name, self._value, self._limit_s)

    def meet(self) -> None:
        """Hear what the plug-in says of itself.

        Raises:
            SourceError: it cannot be had, with the reason.
        """
        with self._lock:
            self._ready()

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """What the plug-in wants read.

        Raises:
            SourceError: it gave no answer, or none that can be used.
        """
        try:
            return read_wants(self._ask(WANTS, READS.dump_json(reads)))
        except (ParseError, ValueError, PydanticSerializationError) as error:
            message = f"the plug-in {self.name}: {error}"
            raise SourceError(message) from error

    def parse(self, capture: Capture) -> Observation:
        """What the plug-in understands.

        Raises:
            ParseError: it does not understand the text, gave no answer, or none that can be used.
        """
        try:
            return read_observation(self._ask(PARSE, CAPTURE.dump_json(capture)))
        except SourceError as error:
            raise ParseError(str(error)) from error
        except (ValueError, PydanticSerializationError) as error:
            message = f"the plug-in {self.name}: {error}"
            raise ParseError(message) from error

    def _ask(self, kind: bytes, text: bytes) -> bytes:
        with self._lock:
            process = self._ready()
            try:
                return process.ask(kind, text)
            except SourceError:
                if process.over:
                    self._process = None
                raise

    def _ready(self) -> _Process:
        """The process, once it has loaded the plug-in."""
        process = self._process
        try:
            if process is None:
                process = self._process = _Process(self.name, self._value, self._limit_s)
            if not process.met:
                declared = process.meet()
                self.program, self.present_if = declared.program, declared.present_if
        except OSError as error:
            message = f"no process can be started for the plug-in {self.name}: {error}"
            raise SourceError(message) from error
        except SourceError:
            self._process = None
            raise
        return process


class _Process:
    """One process, from its start to its end."""

    def __init__(self, name: str, value: str, limit_s: float) -> None:
        self._name = name
        self._limit_s = limit_s
        self._channel, theirs = socket.socketpair()
        with theirs:
            arguments = (str(theirs.fileno()), name, value, str(limit_s))
            try:
                self._process = PythonProcess(_MODULE, arguments, sys.path, theirs.fileno())
            except OSError:
                self._channel.close()
                raise
        self._channel.settimeout(limit_s + _SLACK_S)
        self._end = weakref.finalize(self, _end, self._channel, self._process)
        self.met = False

    @property
    def over(self) -> bool:
        """Whether it was given up."""
        return not self._end.alive

    def meet(self) -> Declared:
        """What it says first."""
        kind, text = self._heard("while it was loaded")
        if kind != TOLD:
            self._give_up(text.decode())
        try:
            declared = read_declared(text)
        except ValueError as error:
            self._give_up(str(error))
        self.met = True
        return declared

    def ask(self, kind: bytes, text: bytes) -> bytes:
        """The answer to one question."""
        doing = "in parse" if kind == PARSE else "in wants"
        try:
            send(self._channel, kind, text)
        except OSError:
            pass  # it is gone; what is heard next says how
        except ValueError as error:
            message = f"the plug-in {self._name} cannot be asked: {error}"
            raise SourceError(message) from error
        kind, text = self._heard(doing)
        if kind == UNCLEAR:
            raise ParseError(text.decode())
        if kind != TOLD:
            message = f"the plug-in {self._name} failed {doing}: {text.decode()}"
            raise SourceError(message)
        return text

    def _heard(self, doing: str) -> tuple[bytes, bytes]:
        try:
            return receive(self._channel, MOST_ANSWER_BYTES)
        except (EOFError, ConnectionError):
            self._give_up(f"the plug-in {self._name} {self._how_it_ended()} {doing}")
        except (OSError, ValueError) as error:
            self._give_up(f"the plug-in {self._name} gave no answer {doing}: {error}")

    def _give_up(self, why: str) -> NoReturn:
        self._end()
        raise SourceError(why)

    def _how_it_ended(self) -> str:
        code = self._process.code(_END_S)
        if code is None:
            return "hung up"
        if code == -signal.SIGALRM:
            return f"gave no answer within {self._limit_s:g} s"
        return f"ended itself with exit code {code}" if code >= 0 else f"was ended by signal {-code}"


def _end(channel: socket.socket, process: PythonProcess) -> None:
    channel.close()
    process.kill()
