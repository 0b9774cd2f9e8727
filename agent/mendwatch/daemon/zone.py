"""The host's time zone, in which people on it are told times."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

_LOCALTIME = Path("/etc/localtime")


def local_zone(environ: Mapping[str, str] = os.environ, localtime: Path = _LOCALTIME) -> str:
    """The IANA name that ``TZ`` says, else the one that the system's zone file is a link to, else UTC."""
    said = environ.get("TZ", "").removeprefix(":")
    linked = str(localtime.resolve()).partition("/zoneinfo/")[2]
    return next((name for name in (said, linked) if name and _known(name)), "UTC")


def _known(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True
