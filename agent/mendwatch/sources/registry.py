"""The storage systems on this machine: ours and those that plug-ins bring, by one door."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import entry_points

from mendwatch.model.plugin import Parser

GROUP = "mendwatch.parsers"
_ASKED = ("name", "program", "present_if", "wants", "parse")


@dataclass(frozen=True, slots=True)
class Registry:
    """What was found.

    Attributes:
        parsers: by name, sorted.
        failed: those that could not be had, with the reason.
    """

    parsers: Mapping[str, Parser]
    failed: Mapping[str, str]


def load() -> Registry:
    """Load every storage system; one that cannot be had is kept with its reason and harms no other."""
    parsers: dict[str, Parser] = {}
    failed: dict[str, str] = {}
    points = sorted(entry_points(group=GROUP), key=lambda point: (point.name, point.value))
    # One distribution that is found by two ways is one entry still.
    for name, value in dict.fromkeys((point.name, point.value) for point in points):
        twins = sorted({point.value for point in points if point.name == name})
        if len(twins) > 1:
            # Which of them is meant, only the owner can say; taking either might be the wrong one.
            failed[name] = f"{' and '.join(twins)} both claim this name; uninstall one of them"
            continue
        point = next(point for point in points if (point.name, point.value) == (name, value))
        try:
            parser = point.load()
            lacks = [part for part in _ASKED if not hasattr(parser, part)]
            own_name = str(getattr(parser, "name", name))
        except Exception as error:  # noqa: BLE001 - whatever a plug-in does, the others must load
            failed[name] = f"{value} fails to load: {error!r}"
            continue
        if lacks:
            failed[name] = f"{value} is no storage system: it lacks {', '.join(lacks)}"
        elif own_name != name:
            failed[name] = f"{value} calls itself {own_name!r}, but is installed as {name!r}"
        else:
            parsers[name] = parser
    return Registry(parsers, failed)
