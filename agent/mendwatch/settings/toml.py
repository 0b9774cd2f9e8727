"""How values and paths of the configuration are written in samples and messages."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SHOWN = 60


def written(value: object) -> str:
    """A value as it stands in the file."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key_written(str(key))} = {written(item)}" for key, item in value.items()) + " }"
    if isinstance(value, Sequence):
        return "[" + ", ".join(written(item) for item in value) + "]"
    return str(value)


def shown(value: object) -> str:
    """A value in a message: as written, cut if long."""
    text = written(value)
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def key_written(key: str) -> str:
    """A key, quoted if it needs to be."""
    return key if _BARE.fullmatch(key) else written(key)


def path_written(path: tuple[str | int, ...], document: Mapping[str, object]) -> str:
    """A key's path: ``policy.window_limit.left_0``, ``channel[2] (mail).port``; entries count from 1."""
    text = ""
    here: object = document
    for step in path:
        if isinstance(step, int):
            here = here[step] if isinstance(here, list) and step < len(here) else None
            name = here.get("name") if isinstance(here, dict) else None
            text += f"[{step + 1}]" + (f" ({shown(name)[1:-1]})" if isinstance(name, str) and name else "")
        else:
            here = here.get(step) if isinstance(here, dict) else None
            text += ("." if text else "") + key_written(step)
    return text


def place_of(path: tuple[str | int, ...], document: Mapping[str, object]) -> tuple[int, ...]:
    """Where a path stands in the file, for sorting; what is missing comes after what is there."""
    place: list[int] = []
    here: object = document
    for step in path:
        if isinstance(step, int):
            place.append(step)
            here = here[step] if isinstance(here, list) and step < len(here) else None
        else:
            keys = list(here) if isinstance(here, dict) else []
            place.append(keys.index(step) if step in keys else len(keys))
            here = here.get(step) if isinstance(here, dict) else None
    return tuple(place)
