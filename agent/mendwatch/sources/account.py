"""Under which account a program of the owner's runs, and whether others could put another one in its place."""

from __future__ import annotations

import os
import pwd
import stat
from dataclasses import dataclass
from pathlib import Path

UNPRIVILEGED = "nobody"


@dataclass(frozen=True, slots=True)
class Account:
    """What the kernel needs to know to start a process as somebody; no further groups come with it."""

    uid: int
    gid: int


def account_for(user: str) -> Account | None:
    """The account to switch to, None if we are it already.

    Raises:
        PermissionError: it is root's, or not ours to take.
        LookupError: there is no such user.
    """
    try:
        entry = pwd.getpwnam(user)
    except KeyError as error:
        message = f"there is no user {user!r} on this host"
        raise LookupError(message) from error
    if entry.pw_uid == 0:
        message = f"{user!r} is root's account; name one without rights"
        raise PermissionError(message)
    if os.geteuid() == entry.pw_uid:
        return None
    if os.geteuid() != 0:
        message = f"only root can run it as {user!r}; leave user out, and it runs as the agent does"
        raise PermissionError(message)
    return Account(entry.pw_uid, entry.pw_gid)


def changeable(program: Path) -> str | None:
    """What somebody else than root can change of a program or a folder above it, in words; None if nothing.

    Raises:
        OSError: it cannot be looked at.
    """
    whole = program.resolve(strict=True)
    for place in (whole, *whole.parents):
        told = place.stat()
        if told.st_uid != 0:
            return f"{place} belongs to user {told.st_uid}"
        if told.st_mode & stat.S_IWOTH and not _is_sticky(told):
            return f"{place} can be changed by anyone"
        if told.st_mode & stat.S_IWGRP and told.st_gid != 0 and not _is_sticky(told):
            return f"{place} can be changed by group {told.st_gid}"
    return None


def _is_sticky(told: os.stat_result) -> bool:
    """In such a folder others cannot replace what is not theirs."""
    return stat.S_ISDIR(told.st_mode) and bool(told.st_mode & stat.S_ISVTX)
