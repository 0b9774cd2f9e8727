"""The configuration's text in, settings or every problem out."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from mendwatch.model.channels import OPTIONS, ChannelOptions
from mendwatch.model.durations import format_duration
from mendwatch.model.errors import Problem, SettingsError
from mendwatch.model.policy import ArrayPolicy, HostPolicy
from mendwatch.settings.refusals import Path, Refusals, known_keys, nearest
from mendwatch.settings.tables import (
    KNOWN_SOURCES,
    AnySource,
    ArraySettings,
    ChannelTable,
    HostSettings,
    PolicySettings,
    PollingSettings,
    ProgramSettings,
    SourceSettings,
)
from mendwatch.settings.toml import shown

T = TypeVar("T", bound=BaseModel)

SECTIONS = ("host", "polling", "source", "policy", "array", "channel")
_TUPLE = re.compile(r"\('[^()]*\)")
_QUOTED = re.compile(r"'([^']*)'")
# It stands in alerts, ids and columns.
_SOURCE_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,31}")
_AT_LINE = re.compile(r" \(at line (\d+), column (\d+)\)$")


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """One channel.

    Attributes:
        options: the table as written, without ``name`` and ``kind``; checked, for a kind that we know.
    """

    name: str
    kind: str
    options: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Settings:
    """All that the owner can decide, with the defaults filled in.

    Attributes:
        sources: every known storage system, whether the file names it or not, and the owner's own programs.
        arrays: overrides in the order of the file; each already holds what it takes from ``policy``.
    """

    host: HostSettings
    polling: PollingSettings
    sources: Mapping[str, AnySource]
    policy: PolicySettings
    arrays: tuple[ArraySettings, ...]
    channels: tuple[ChannelSettings, ...]

    def to_policy(self, host: str) -> HostPolicy:
        """What is asked of each array of this host."""
        return HostPolicy(
            host=host,
            default=_array_policy(self.policy),
            arrays=tuple((array.name, _array_policy(array)) for array in self.arrays),
            named_sources=tuple(name for name, source in self.sources.items() if source.enabled),
        )


def parse(text: str, file: str, *, sources: Collection[str] = (), channel_kinds: Collection[str] = ()) -> Settings:
    """Read a configuration.

    Args:
        text: what the file holds; empty gives the defaults.
        file: its name, for messages.
        sources: names of storage systems that plug-ins bring.
        channel_kinds: kinds of channels that plug-ins bring; they check their options themselves.

    Raises:
        SettingsError: something is wrong; it holds every problem, in the order of the file.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(file, (_syntax(str(error)),)) from error
    reader = _Reader(document)
    settings = reader.settings((*KNOWN_SOURCES, *sources), (*OPTIONS, *channel_kinds))
    problems = reader.refusals.problems()
    if settings is None or problems:
        raise SettingsError(file, problems)
    return settings


def _syntax(message: str) -> Problem:
    place = _AT_LINE.search(message)
    where = f"line {place[1]}, column {place[2]}" if place else "the end of the file"
    what = _AT_LINE.sub("", message).removesuffix(" (at end of document)")
    what = _TUPLE.sub(lambda found: ".".join(_QUOTED.findall(found[0])), what)
    right = 'a line is [section], key = "text", key = 12, key = true or # a comment'
    if "overwrite" in what or "twice" in what:
        right = "give each key and each section once"
    return Problem(where, f"not valid TOML: {what[:1].lower()}{what[1:]}", right)


def _array_policy(asked: PolicySettings) -> ArrayPolicy:
    policy = ArrayPolicy(
        window_limit_s=asked.window_limit_s,
        stall_after_s=asked.stall_after_s,
        blind_after_s=asked.blind_after_s,
        remind_after_s=asked.remind_after_s,
    )
    if not isinstance(asked, ArraySettings):
        return policy
    return ArrayPolicy(
        window_limit_s=policy.window_limit_s,
        stall_after_s=policy.stall_after_s,
        blind_after_s=policy.blind_after_s,
        remind_after_s=policy.remind_after_s,
        watch=asked.watch,
        may_leave=asked.may_leave,
        redundancy_full=asked.redundancy_full,
    )


class _Reader:
    """Reads the sections of one document, and notes what is wrong with each."""

    def __init__(self, document: Mapping[str, object]) -> None:
        self._document = document
        self.refusals = Refusals(document)

    def settings(self, sources: Collection[str], kinds: Collection[str]) -> Settings | None:
        """The settings, None if a section that the others rest on is wrong."""
        for key in self._document:
            if key not in SECTIONS:
                self.refusals.unknown((key,), SECTIONS)
        host = self._section("host", HostSettings)
        polling = self._section("polling", PollingSettings)
        policy = self._section("policy", PolicySettings)
        read = self._sources(sources)
        arrays = self._arrays(policy, polling)
        channels = self._channels(kinds)
        if polling is not None and policy is not None:
            self._can_judge(("policy",), policy, polling)
        if host is None or polling is None or policy is None:
            return None
        return Settings(host, polling, MappingProxyType(read), policy, arrays, channels)

    def _section(self, key: str, model: type[T]) -> T | None:
        return self._table((key,), self._document.get(key, {}), model)

    def _table(self, path: Path, table: object, model: type[T]) -> T | None:
        if not isinstance(table, dict):
            self.refusals.add(path, f"{shown(table)} is not a table", f"begin it with a line {_headline(path)}")
            return None
        try:
            return model.model_validate(table)
        except ValidationError as error:
            self.refusals.take(path, error, model)
            kinds = {detail["type"] for detail in error.errors(include_url=False)}
            if kinds == {
                "extra_forbidden"
            }:  # then what pydantic checks last, one key against another, is still to be said
                self._table(path, {key: table[key] for key in table if key in known_keys(model)}, model)
            return None

    def _entries(self, key: str) -> list[object]:
        entries = self._document.get(key, [])
        if isinstance(entries, list):
            return entries
        self.refusals.add((key,), "is not a list of tables", f"begin each one with a line [[{key}]]")
        return []

    def _sources(self, known: Collection[str]) -> dict[str, AnySource]:
        read: dict[str, AnySource] = dict.fromkeys(known, SourceSettings())
        tables = self._document.get("source", {})
        if not isinstance(tables, dict):
            self.refusals.add(("source",), "is not a table", "begin one for each storage system: [source.zfs]")
            return read
        for name, table in tables.items():
            source: AnySource | None = None
            if name in known:
                source = self._table(("source", name), table, SourceSettings)
            elif isinstance(table, dict) and "argv" in table:
                source = self._program(name, table)
            else:
                meant = nearest(name, known)
                right = f"{meant}{'' if meant.endswith('?') else '.'} A program of your own needs argv"
                self.refusals.add(("source", name), "unknown storage system", right)
            if source is not None:
                read[name] = source
        return read

    def _program(self, name: str, table: object) -> ProgramSettings | None:
        if not _SOURCE_NAME.fullmatch(name):
            right = "use up to 32 of a-z, 0-9, - and _, beginning with a letter or digit"
            self.refusals.add(("source", name), "cannot be the name of a source", right)
        return self._table(("source", name), table, ProgramSettings)

    def _arrays(self, policy: PolicySettings | None, polling: PollingSettings | None) -> tuple[ArraySettings, ...]:
        arrays = []
        for number, table in enumerate(self._entries("array")):
            array = self._table(("array", number), table, ArraySettings)
            if array is None or policy is None or polling is None:
                continue
            if "stall_after_s" in array.model_fields_set:
                self._can_judge(("array", number), array, polling)
            unset = set(PolicySettings.model_fields) - array.model_fields_set
            arrays.append(array.model_copy(update={name: getattr(policy, name) for name in unset}))
        return tuple(arrays)

    def _channels(self, kinds: Collection[str]) -> tuple[ChannelSettings, ...]:
        channels: list[ChannelSettings] = []
        first_of: dict[str, int] = {}
        for number, table in enumerate(self._entries("channel")):
            channel = self._channel(number, table, kinds)
            if channel is None:
                continue
            if channel.name in first_of:
                what = f"channel[{first_of[channel.name] + 1}] has this name already"
                self.refusals.add(("channel", number, "name"), what, "give each channel a name of its own")
            first_of.setdefault(channel.name, number)
            channels.append(channel)
        return tuple(channels)

    def _channel(self, number: int, table: object, kinds: Collection[str]) -> ChannelSettings | None:
        path = ("channel", number)
        if not isinstance(table, dict):
            self.refusals.add(path, f"{shown(table)} is not a table", "begin it with a line [[channel]]")
            return None
        options = {key: value for key, value in table.items() if key not in known_keys(ChannelTable)}
        common = self._table(path, {key: table[key] for key in table if key not in options}, ChannelTable)
        kind = table.get("kind")
        if not isinstance(kind, str):
            return None
        if kind in OPTIONS:
            self._table(path, options, OPTIONS[kind])
        elif kind in kinds:  # a plug-in checks the rest itself when it is opened
            self._table(
                path, {key: options[key] for key in options if key in known_keys(ChannelOptions)}, ChannelOptions
            )
        else:
            self.refusals.add((*path, "kind"), f"{shown(kind)} is no kind of channel", nearest(kind, kinds))
        return ChannelSettings(common.name, kind, options) if common is not None else None

    def _can_judge(self, path: Path, policy: PolicySettings, polling: PollingSettings) -> None:
        if policy.stall_after_s < polling.rebuild_s:
            right = f"give at least the {format_duration(polling.rebuild_s)} of polling.rebuild, better many times that"
            self.refusals.add((*path, "stall_after"), "is shorter than the time between two readings", right)


def _headline(path: Path) -> str:
    names = [str(step) for step in path if isinstance(step, str)]
    return f"[[{names[0]}]]" if len(names) < len(path) else f"[{'.'.join(names)}]"
