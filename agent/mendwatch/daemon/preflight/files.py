"""The files that the agent rests on: who can change or read them, and whether its state can be kept."""

from __future__ import annotations

import os
import shutil
import stat
from collections.abc import Iterator
from pathlib import Path

from mendwatch.daemon.preflight.check import Check, fault, fine, note
from mendwatch.daemon.preflight.places import existing
from mendwatch.settings import ChannelSettings

_OTHERS_WRITE = stat.S_IWOTH
_OTHERS_READ = stat.S_IROTH
_LITTLE_BYTES = 256 * 1024 * 1024
_TOO_LITTLE_BYTES = 32 * 1024 * 1024


def configuration(file: Path, *, as_root: bool) -> Iterator[Check]:
    """Who can change the configuration, which names programs that the agent runs."""
    about = f"configuration {file}"
    told = file.stat()
    whole = file.resolve()
    open_to_all = [place for place in (whole, *whole.parents) if _anyone_writes(place)]
    for place in open_to_all:
        said = f"{place} can be changed by anyone on this host"
        yield fault(about, said, f"take that right away: chmod o-w {place}")
    if as_root and told.st_uid != 0:
        said = f"belongs to user {told.st_uid}, who thereby decides what root runs"
        yield fault(about, said, f"give it to root: chown root {file}")
    elif as_root and told.st_mode & stat.S_IWGRP and told.st_gid != 0:
        said = f"can be changed by group {told.st_gid}, which thereby decides what root runs"
        yield fault(about, said, f"take that right away: chmod g-w {file}")


def _anyone_writes(place: Path) -> bool:
    mode = place.stat().st_mode
    sticky_folder = stat.S_ISDIR(mode) and mode & stat.S_ISVTX  # there, others cannot replace what is not theirs
    return bool(mode & _OTHERS_WRITE) and not sticky_folder


def secrets(channel: ChannelSettings, *, as_root: bool) -> Iterator[Check]:
    """Who can read the files with the secrets of a channel; that we can read them is told by opening it."""
    for key in ("secret_file", "password_file"):
        path = channel.options.get(key)
        if not isinstance(path, str):
            continue
        try:
            mode = Path(path).stat().st_mode
        except OSError:
            continue  # opening the channel says why
        if mode & (_OTHERS_READ | _OTHERS_WRITE):
            said = f"{key} {path} can be read or changed by anyone on this host"
            say = fault if as_root else note
            yield say(f"channel {channel.name}", said, f"take that right away: chmod o-rw {path}")


def state_dir(path: Path) -> Check:
    """Whether the history can be kept there."""
    about = f"state directory {path}"
    place = existing(path)
    if not place.is_dir():
        return fault(about, f"{place} is no directory", "name another with state_dir in [host]")
    if not os.access(place, os.W_OK | os.X_OK, effective_ids=os.access in os.supports_effective_ids):
        what = "cannot be written" if place == path else f"is not there, and cannot be made in {place}"
        return fault(about, f"{what} by user {os.geteuid()}", "run this as the agent's user, or give it the directory")
    if place == path and _anyone_writes(path):
        return fault(about, "can be changed by anyone on this host", f"take that right away: chmod o-w {path}")
    free = shutil.disk_usage(place).free
    left = f"{free // (1024 * 1024)} MiB free"
    if free < _TOO_LITTLE_BYTES:
        return fault(about, left, "make room: a nine-day rebuild alone takes some 10 MiB")
    if free < _LITTLE_BYTES:
        return note(about, left, "make room before it fills up")
    return fine(about, f"can be written, {left}" if place == path else f"can be made, {left}")
