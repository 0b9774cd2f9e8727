"""Every table of the configuration, declared once: key, type, default, bounds and what it means.

The parser, the sample file and the checks all read these declarations, so that they cannot drift apart. The option
tables of the channels stand in ``model.channels``, since the channels themselves need them too.

A message of a validator has two parts joined by ``; ``: what is wrong, and what would be right.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Annotated, TypeAlias

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, StrictInt, StrictStr

from mendwatch.model.durations import Duration, format_duration

KNOWN_SOURCES = ("zfs", "md", "btrfs", "dm-raid")
_MOST_LEVELS = 8


class Table(BaseModel):
    """One table of the file; a key that is not declared is refused."""

    model_config = ConfigDict(frozen=True, extra="forbid")


def _between(least_s: float, most_s: float) -> Callable[[float], float]:
    def check(seconds: float) -> float:
        if not least_s <= seconds <= most_s:
            message = (
                f"{format_duration(seconds)} is out of range; "
                f"give {format_duration(least_s)} to {format_duration(most_s)}"
            )
            raise ValueError(message)
        return seconds

    return check


def _absolute(path: str) -> str:
    if not path.startswith("/") or "\0" in path:
        message = f"{path!r} is not an absolute path; begin it with /"
        raise ValueError(message)
    return path


def _name(text: str) -> str:
    if not text.strip() or not text.isprintable() or text != text.strip():
        message = f"{text!r} cannot be a name; use visible characters, without blanks at either end"
        raise ValueError(message)
    return text


def _argv(words: tuple[str, ...]) -> tuple[str, ...]:
    if not words:
        message = "the list is empty; give at least the program's path"
        raise ValueError(message)
    if any("\0" in word for word in words):
        message = "a word holds a NUL; leave it out"
        raise ValueError(message)
    if not words[0].startswith("/") or words[0].endswith("/"):
        message = f"{words[0]!r} is not the absolute path of a program; begin it with /"
        raise ValueError(message)
    return words


def _unprivileged(user: str) -> str:
    if user == "root":
        message = "root has every right; name an account without any, such as nobody"
        raise ValueError(message)
    return _name(user)


def _glob(text: str) -> str:
    if not text:
        message = "an empty name matches no array; give a name or a pattern such as backup-*"
        raise ValueError(message)
    return text


def _auto_or_table(value: object) -> object:
    if value == "auto":
        return None
    if not isinstance(value, dict):
        message = f'{value!r} is no limit; write "auto" or a table such as {{ left_0 = "24h", left_1 = "72h" }}'
        raise ValueError(message)  # noqa: TRY004 - pydantic reports ValueError only
    if not value:
        message = 'the table is empty; give at least left_0, or write "auto"'
        raise ValueError(message)
    return value


def _level_key(key: object) -> int:
    digits = str(key).removeprefix("left_")
    if digits == str(key) or not (digits.isascii() and digits.isdigit()) or int(digits) >= _MOST_LEVELS:
        message = "unknown key; a limit is named after the redundancy left: left_0, left_1, left_2"
        raise ValueError(message)
    return int(digits)


def _not_longer_below(limits: dict[int, float] | None) -> dict[int, float] | None:
    levels = sorted(limits or ())
    for lower, higher in pairwise(levels):
        if limits is not None and limits[lower] > limits[higher]:
            message = (
                f"left_{lower} ({format_duration(limits[lower])}) is longer than "
                f"left_{higher} ({format_duration(limits[higher])}); "
                "the less redundancy is left, the shorter the limit: swap them or make them equal"
            )
            raise ValueError(message)
    return limits


AbsolutePath: TypeAlias = Annotated[StrictStr, AfterValidator(_absolute)]
Name: TypeAlias = Annotated[StrictStr, AfterValidator(_name)]
_LevelKey: TypeAlias = Annotated[int, BeforeValidator(_level_key)]
CommandLimit: TypeAlias = Annotated[Duration, AfterValidator(_between(1, 9 * 60))]
PollPace: TypeAlias = Annotated[Duration, AfterValidator(_between(5, 15 * 60))]
WindowLimit: TypeAlias = Annotated[
    dict[_LevelKey, Duration] | None, BeforeValidator(_auto_or_table), AfterValidator(_not_longer_below)
]


class HostSettings(Table):
    """The host that is watched."""

    name: Name | None = Field(
        default=None, description="The name in every message. Default: the host's own name.", examples=["store-1"]
    )
    root: AbsolutePath = Field(
        default="/", description="Where the host's /proc, /sys and /dev stand; elsewhere only inside a container."
    )
    state_dir: AbsolutePath = Field(
        default="/var/lib/mendwatch",
        description="The history and what is still to be sent. Keep it on a drive that is in no watched array: an\n"
        "agent that must write to the array it watches goes quiet together with it.",
    )


class PollingSettings(Table):
    """How often the storage systems are read."""

    idle_s: PollPace = Field(
        default=60.0,
        alias="idle",
        description="Between two readings while nothing rebuilds (5s to 15m).",
        examples=["60s"],
    )
    rebuild_s: PollPace = Field(
        default=30.0,
        alias="rebuild",
        description="The same while something rebuilds or an array lacks redundancy (5s to 15m).",
        examples=["30s"],
    )


class SourceSettings(Table):
    """One storage system."""

    enabled: StrictBool | None = Field(
        default=None,
        description="true: it must be here, and not being able to read it is an alert. false: never look at it.\n"
        "Default: it is watched if this host has it.",
        examples=[True],
    )
    command: AbsolutePath | None = Field(
        default=None,
        description="The tool to run. Default: the one found in the system's own folders.",
        examples=["/usr/sbin/zpool"],
    )
    timeout_s: CommandLimit = Field(
        default=20.0,
        alias="timeout",
        description="How long one command may take (1s to 9m); the agent itself is never held up by it.",
        examples=["20s"],
    )


class ProgramSettings(Table):
    """A program of the owner's that prints what it knows of a storage system as our observation."""

    enabled: StrictBool = Field(default=True, description="false: it is not run.")
    argv: Annotated[tuple[StrictStr, ...], AfterValidator(_argv)] = Field(
        description="The program by its absolute path, and its arguments; no shell comes between.",
        examples=[["/usr/local/bin/trays-observation", "--shelf", "1"]],
    )
    user: Annotated[StrictStr, AfterValidator(_unprivileged)] | None = Field(
        default=None,
        description="The account without rights to run it as, if the agent is root. Default: nobody. An agent that is\n"
        "not root runs it as itself.",
        examples=["nobody"],
    )
    timeout_s: CommandLimit = Field(
        default=20.0,
        alias="timeout",
        description="After this time it is ended (1s to 9m).",
        examples=["20s"],
    )


AnySource: TypeAlias = SourceSettings | ProgramSettings


class PolicySettings(Table):
    """What counts as too long, for every array."""

    window_limit_s: WindowLimit = Field(
        default=None,
        alias="window_limit",
        description='How long an array may lack redundancy. "auto": twice what a rebuild of it usually takes, at\n'
        "least 24h. Or one limit for each level: left_0 while no further loss is survived, left_1 while one more is.\n"
        "A level without a limit takes that of the highest one given.",
        examples=["auto", {"left_0": "24h", "left_1": "72h"}],
    )
    stall_after_s: Duration = Field(
        default=1200.0,
        alias="stall_after",
        description="A rebuild that has not moved for this long has stalled.",
        examples=["20m"],
    )
    remind_after_s: tuple[Duration, ...] = Field(
        default=(14400.0, 43200.0, 86400.0),
        alias="remind_after",
        description="Pauses between reminders while a page stands; the last one repeats. [] sends none.",
        examples=[["4h", "12h", "24h"]],
    )
    blind_after_s: Duration = Field(
        default=600.0,
        alias="blind_after",
        description="A storage system that cannot be read for this long is an alert.",
        examples=["10m"],
    )


class ArraySettings(PolicySettings):
    """What is different for some arrays: any key of ``[policy]`` (the rest is taken from there), and these."""

    name: Annotated[StrictStr, AfterValidator(_glob)] = Field(
        description="Which arrays: a name, or a pattern with * ? [..]. Where several tables match, the last counts.",
        examples=["rotated-*"],
    )
    watch: StrictBool = Field(default=True, description="false leaves these arrays out altogether.")
    may_leave: StrictBool = Field(
        default=False,
        description="true: it is carried away at times, and its absence is no event.",
    )
    redundancy_full: Annotated[StrictInt, Field(ge=0, le=_MOST_LEVELS)] | None = Field(
        default=None,
        description="The losses that it survives at its best, where a slot is missing by design.\n"
        "Default: what its layout gives.",
        examples=[1],
    )


class ChannelTable(Table):
    """What every ``[[channel]]`` has; the other keys belong to its kind."""

    name: Name = Field(description="What the channel is called in messages and in the log.", examples=["ops"])
    kind: StrictStr = Field(description="How it sends.", examples=["webhook"])
