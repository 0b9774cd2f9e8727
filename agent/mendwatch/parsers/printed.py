"""What a program of the owner's prints: our own observation as JSON, as ``config/observation.schema.json`` has it.

One object, on one line or several; or JSON Lines, of which the last counts. What it prints is only read when it ends
with exit code 0: any other means that it failed, and says nothing of any array.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import Annotated, TypeVar

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from mendwatch.model.bounds import MOST_ENTRIES, bounded
from mendwatch.model.capture import Capture, CommandRead, Read
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import (
    Activity,
    ActivityKind,
    Array,
    Errors,
    IdKind,
    LastActivity,
    LastOutcome,
    Member,
    Observation,
    Role,
    Unread,
)
from mendwatch.model.plugin import Command, Want

# A program that passes on what it has kept must not have us believe for ever what was so once.
OLDEST = timedelta(minutes=15)
# Ten times what a thousand drives need; every object in it costs us many times its length.
MOST_OUTPUT = 2 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Printed:
    """The parser of one such program.

    Attributes:
        name: of the source.
        argv: the program's bare name and its arguments; empty where a recording is played.
        present_if: it was named in the configuration, so that it counts as present wherever the agent can look at all.
    """

    name: str
    argv: tuple[str, ...] = ()
    present_if: tuple[str, ...] = ("/proc",)

    @property
    def program(self) -> str | None:
        """The bare name of the program."""
        return self.argv[0] if self.argv else None

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """The program, run once a poll."""
        return () if reads or not self.argv else (Command(self.argv),)

    def parse(self, capture: Capture) -> Observation:
        """Understand what the program printed."""
        commands = capture.commands()
        if not commands:
            message = "the poll holds no output of a program"
            raise ParseError(message)
        line = _line(_output(commands[-1]))
        if line.at is not None and capture.at - line.at > OLDEST:
            age_min = (capture.at - line.at).total_seconds() / 60
            message = f"what it prints is {age_min:.0f} minutes old"
            raise ParseError(message)
        return bounded(line.observation(capture), capture)


def prints_itself(capture: Capture) -> bool:
    """Whether a poll holds the output of such a program, whatever its source is called."""
    reads = capture.commands()
    return bool(reads) and reads[-1].stdout.lstrip().startswith("{") and '"arrays"' in reads[-1].stdout


def _output(read: CommandRead) -> str:
    """What it printed, if it came to a good end."""
    program = read.argv[0]
    if read.exit is None:
        raise ParseError(read.error or f"{program} gave no answer")
    if read.exit != 0:
        said = next(iter(read.stderr.strip().splitlines()), "")
        message = f"{program} failed with exit code {read.exit}" + (f": {said}" if said else "")
        raise ParseError(message)
    if not read.stdout.strip():
        message = f"{program} printed nothing"
        raise ParseError(message)
    if len(read.stdout) > MOST_OUTPUT:
        message = f"{program} printed more than {MOST_OUTPUT} characters"
        raise ParseError(message)
    return read.stdout.strip()


def _line(text: str) -> _Line:
    try:
        return _Line.model_validate_json(text)
    except ValidationError as error:
        first, last = error, text.rpartition("\n")[2]
    if not _is_no_json(first) or last == text:
        raise _refusal(first) from first
    try:
        return _Line.model_validate_json(last)
    except ValidationError as error:
        # Of a text that is neither, the whole says more: it was meant as one object, and has an end too few.
        raise _refusal(first if _is_no_json(error) else error) from error


def _is_no_json(error: ValidationError) -> bool:
    return error.errors(include_url=False, include_input=False)[0]["type"] == "json_invalid"


def _refusal(error: ValidationError) -> ParseError:
    told = error.errors(include_url=False, include_input=False, include_context=False)
    place = ".".join(str(step) for step in told[0]["loc"])
    more = f" (and {len(told) - 1} more)" if len(told) > 1 else ""
    return ParseError(f"not an observation as the schema has it: {place}{': ' if place else ''}{told[0]['msg']}{more}")


def _whole(value: object) -> object:
    """JSON knows one kind of number: 3.0 is 3."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


T = TypeVar("T")
_Whole = Annotated[int, BeforeValidator(_whole)]
_Text = Annotated[str, Field(min_length=1)]
# At the first wrong entry it ends: each fault of a million would be kept in memory.
_List = Annotated[tuple[T, ...], Field(max_length=MOST_ENTRIES, fail_fast=True)]


class _Told(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="ignore", allow_inf_nan=False)


class _Errors(_Told):
    read: _Whole | None = None
    write: _Whole | None = None
    checksum: _Whole | None = None


class _Member(_Told):
    name: _Text
    state: str
    good: bool
    rebuilding: bool = False
    role: Role = Role.DATA
    group: str | None = None
    drive: str | None = None
    errors: _Errors | None = None

    def member(self) -> Member:
        counted = self.errors
        return Member(
            name=self.name,
            role=self.role,
            group=self.group,
            drive=self.drive,
            state=self.state,
            good=self.good,
            rebuilding=self.rebuilding,
            errors=None if counted is None else Errors(counted.read, counted.write, counted.checksum),
        )


class _Activity(_Told):
    kind: ActivityKind
    running: bool
    word: str | None = None
    waiting: bool = False
    paused: bool = False
    started: AwareDatetime | None = None
    done: float | None = None
    done_bytes: _Whole | None = None
    total_bytes: _Whole | None = None
    native_seconds_left: float | None = None
    errors: _Whole | None = None

    def activity(self, fills: tuple[str, ...]) -> Activity:
        counters = {"done_bytes": self.done_bytes, "done_ppm": None if self.done is None else int(self.done * 1e6)}
        return Activity(
            kind=self.kind,
            word=self.word or self.kind.value,
            running=self.running,
            waiting=self.waiting,
            paused=self.paused,
            started=self.started,
            done=self.done,
            done_bytes=self.done_bytes,
            total_bytes=self.total_bytes,
            native_seconds_left=self.native_seconds_left,
            errors=self.errors,
            fills=fills if self.kind is ActivityKind.REBUILD else (),
            counters={name: count for name, count in counters.items() if count is not None},
            why_held="paused" if self.paused else "waiting" if self.waiting else None,
        )


class _Last(_Told):
    kind: ActivityKind
    outcome: LastOutcome
    word: str | None = None
    ended: AwareDatetime | None = None
    errors: _Whole | None = None

    def last(self) -> LastActivity:
        return LastActivity(self.kind, self.word or self.kind.value, self.outcome, self.ended, self.errors)


class _Array(_Told):
    name: _Text
    state: str
    id: _Text | None = None
    id_kind: IdKind = IdKind.NAME
    system: str | None = None
    level: str | None = None
    redundancy_full: _Whole | None = None
    redundancy_left: _Whole | None = None
    why_unknown: str | None = None
    spares_free: _Whole | None = None
    data_errors: _Whole | None = None
    members: _List[_Member] = ()
    activities: _List[_Activity] | None = None
    last_activity: _Last | None = None

    def array(self, source: str) -> Array:
        fills = tuple(member.name for member in self.members if member.rebuilding)
        return Array(
            name=self.name,
            id=self.id or self.name,
            id_kind=self.id_kind if self.id else IdKind.NAME,
            system=self.system or source,
            level=self.level,
            state=self.state,
            redundancy_full=self.redundancy_full,
            redundancy_left=self.redundancy_left,
            why_unknown=self.why_unknown,
            spares_free=self.spares_free,
            data_errors=self.data_errors,
            members=tuple(member.member() for member in self.members),
            activities=None if self.activities is None else tuple(one.activity(fills) for one in self.activities),
            last_activity=None if self.last_activity is None else self.last_activity.last(),
            lost=self.redundancy_left is not None and self.redundancy_left < 0,
        )


class _Unread(_Told):
    line: _Whole
    text: str


class _Line(_Told):
    arrays: _List[_Array]
    at: AwareDatetime | None = None
    unread: _List[_Unread] = ()
    error: str | None = None

    def observation(self, capture: Capture) -> Observation:
        return Observation(
            at=capture.at,
            source=capture.source,
            arrays=tuple(array.array(capture.source) for array in self.arrays),
            unread=tuple(Unread(line.line, line.text) for line in self.unread),
            error=self.error,
            # What it could not read may have told of an array.
            complete=not self.unread,
        )
