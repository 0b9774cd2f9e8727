"""Rules about what a storage system wants read, and what it says when nothing could be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.model.plugin import Command, File, Parser, Want
from mendwatch.sources.plugin_words import DECLARED, Declared, asked_for, read_declared, read_wants
from mendwatch.sources.poll import MOST_ROUNDS
from mendwatch.testing.cases import Case, understood

_PARTS = ("name", "program", "present_if", "wants", "parse")
# What takes other commands or code could do anything.
_NO_TOOLS = frozenset(
    {"sh", "bash", "dash", "zsh", "ksh", "env", "sudo", "su", "doas", "xargs", "ssh", "python3", "perl"}
)
_NO_WORDS = frozenset({"-f", "--force", "--yes", "-y"})
_FAILURES = (
    CommandRead((), None, error="is not installed"),
    CommandRead((), None, error="no answer within 20 s", seconds=20.0),
    CommandRead((), 1, stderr="permission denied\n", seconds=0.1),
    CommandRead((), 2, stdout="usage: tool status\n", stderr="unknown option\n", seconds=0.1),
    CommandRead((), 0, seconds=0.1),
)


def declares_itself(parser: Parser, _cases: Sequence[Case]) -> Iterator[str]:
    """It has its parts, and each is of its kind."""
    lacks = [part for part in _PARTS if not hasattr(parser, part)]
    if lacks:
        yield f"it lacks {', '.join(lacks)}"
        return
    try:
        read_declared(DECLARED.dump_json(Declared(parser.name, parser.program, parser.present_if), warnings=False))
    except ValueError as error:
        yield str(error)


def asks_only_to_read(parser: Parser, cases: Sequence[Case]) -> Iterator[str]:
    """It asks for commands and files of the right form, for the same ones each time, and comes to an end."""
    for case in cases:
        yield from _asks(parser, case.capture, case.name)
    for failure in _FAILURES:
        yield from _asks(
            parser, None, f"all commands with {failure.error or failure.stderr.strip() or 'no output'}", failure
        )


def _asks(parser: Parser, answers: Capture | None, where: str, failure: CommandRead = _FAILURES[0]) -> Iterator[str]:
    reads: list[Read] = []
    done: set[Want] = set()
    for _ in range(MOST_ROUNDS + 1):
        try:
            wants = read_wants(asked_for(parser.wants(tuple(reads))))
            again = read_wants(asked_for(parser.wants(tuple(reads))))
        except Exception as error:  # noqa: BLE001 - whatever it throws is the finding
            yield f"{where}: wants: {error!r}"
            return
        if wants != again:
            yield f"{where}: wants other things when it is asked a second time"
        new = [want for want in dict.fromkeys(wants) if want not in done]
        if not new:
            return
        done.update(new)
        for want in new:
            if isinstance(want, Command):
                yield from (f"{where}: {why}" for why in _no_reading(parser, want))
            reads += _answered(want, answers, failure)
    yield f"{where}: wants has not come to an end after {MOST_ROUNDS} rounds"


def _no_reading(parser: Parser, want: Command) -> Iterator[str]:
    if want.argv[0] in _NO_TOOLS:
        yield f"asks for {' '.join(want.argv)!r}, which runs other commands"
    if _NO_WORDS & set(want.argv):
        yield f"asks for {' '.join(want.argv)!r}, which forces something"
    if parser.program is None:
        yield f"asks for {want.argv[0]!r}, but names no program"


def _answered(want: Want, answers: Capture | None, failure: CommandRead) -> list[Read]:
    reads = answers.reads if answers is not None else ()
    if isinstance(want, Command):
        told = [read for read in reads if isinstance(read, CommandRead) and read.argv == want.argv]
        return [*told[:1]] or [replace(failure, argv=want.argv)]
    files = [read for read in reads if isinstance(read, FileRead)]
    if isinstance(want, File):
        return [*[read for read in files if read.path == want.path][:1]] or [FileRead(want.path, error="not there")]
    return [read for read in files if _matches(read.path, want.pattern)]


def _matches(path: str, pattern: str) -> bool:
    """As a glob does: a wildcard stands for no slash."""
    steps, patterns = path.split("/"), pattern.split("/")
    return len(steps) == len(patterns) and all(map(fnmatchcase, steps, patterns))


def says_when_nothing_was_read(parser: Parser, cases: Sequence[Case]) -> Iterator[str]:
    """Without anything to read it must not look as if all were well, or as if every array were gone."""
    for case in cases:
        empty = replace(case.capture, reads=())
        failures = {failure.error or failure.stderr or "no output": failure for failure in _FAILURES[:3]}
        polls = {"nothing": empty} | {why: _failed(case.capture, failure) for why, failure in failures.items()}
        for what, poll in polls.items():
            try:
                seen = understood(parser, poll)
            except Exception as error:  # noqa: BLE001 - as above
                yield f"{case.name}: parse of {what.strip()!r}: {error!r}"
                continue
            if seen.error is None and seen.complete and not seen.unread and not seen.arrays:
                yield f"{case.name}: parse of {what.strip()!r} says that there is no array"
            for array in seen.arrays:
                if array.redundancy_left is not None and array.redundancy_left == array.redundancy_full:
                    yield f"{case.name}: parse of {what.strip()!r} says that {array.name} is whole"


def _failed(capture: Capture, failure: CommandRead) -> Capture:
    reads: list[Read] = [
        replace(failure, argv=read.argv) if isinstance(read, CommandRead) else FileRead(read.path, error="not there")
        for read in capture.reads
    ]
    return replace(capture, reads=tuple(reads))
