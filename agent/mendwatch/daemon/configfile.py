"""Finds and reads the configuration file: the one named, else the environment's, else the system's, else defaults."""

from __future__ import annotations

import os
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from importlib.metadata import entry_points
from pathlib import Path

from mendwatch.model.errors import UsageError
from mendwatch.settings import Settings, parse

VARIABLE = "MENDWATCH_CONFIG"
SYSTEM_FILE = Path("/etc/mendwatch/mendwatch.toml")
_MOST_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Configuration:
    """The settings and where they came from.

    Attributes:
        file: None when there is no file and the defaults hold.
        said_by: what named the file, in words.
    """

    settings: Settings
    file: Path | None
    said_by: str


def load(
    named: Path | None, environment: Mapping[str, str] = os.environ, system_file: Path = SYSTEM_FILE
) -> Configuration:
    """Find, read and check the configuration.

    Args:
        named: what ``--config`` says, None without it.
        environment: where ``MENDWATCH_CONFIG`` is looked up; empty counts as not set.
        system_file: read if nothing else is named and it exists.

    Raises:
        UsageError: the file cannot be read.
        SettingsError: what it says is wrong; holds all problems.
    """
    file, said_by = find(named, environment, system_file)
    text = _read(file) if file is not None else ""
    settings = parse(
        text,
        str(file or system_file),
        sources=_plugged("mendwatch.parsers"),
        channel_kinds=_plugged("mendwatch.channels"),
    )
    return Configuration(settings, file, said_by)


def find(named: Path | None, environment: Mapping[str, str], system_file: Path) -> tuple[Path | None, str]:
    """The file that counts, and what named it."""
    if named is not None:
        return named, "--config"
    if environment.get(VARIABLE):
        return Path(environment[VARIABLE]), VARIABLE
    if _is_there(system_file):
        return system_file, "its usual place"
    return None, f"no {system_file}: the defaults hold"


def _is_there(file: Path) -> bool:
    try:
        file.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True  # a folder that we may not enter: reading it says so, where the defaults would be wrong
    return True


def _plugged(group: str) -> Collection[str]:
    """The names of what is installed, without loading any of it."""
    return tuple(dict.fromkeys(point.name for point in entry_points(group=group)))


def _read(file: Path) -> str:
    try:
        with file.open("rb") as opened:
            raw = opened.read(_MOST_BYTES + 1)
    except OSError as error:
        message = f"{file}: cannot read the configuration ({error.strerror}); name a readable file with --config"
        raise UsageError(message) from error
    if len(raw) > _MOST_BYTES:
        message = f"{file}: more than 1 MiB, so hardly a configuration; name the right file with --config"
        raise UsageError(message)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        message = f"{file}: byte {error.start + 1} is not UTF-8; save the file as UTF-8"
        raise UsageError(message) from error
