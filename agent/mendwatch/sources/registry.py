"""The storage systems on this machine: ours, those that plug-ins bring, and the owner's own programs, by one door."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from pathlib import PurePosixPath

from mendwatch.model.capture import Capture, Read
from mendwatch.model.errors import ParseError, SourceError
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import Parser, Want
from mendwatch.parsers.printed import Printed, prints_itself
from mendwatch.settings import AnySource, ProgramSettings, SourceSettings
from mendwatch.sources.plugin import Plugin

GROUP = "mendwatch.parsers"
_OURS = "mendwatch."


@dataclass(frozen=True, slots=True)
class Registry:
    """What was found.

    Attributes:
        parsers: by name, sorted.
        failed: those that could not be had, with the reason.
        stand_ins: for each of these something that says so at every poll, until it can be had after all; so that its
            arrays do not go out of sight unsaid.
    """

    parsers: Mapping[str, Parser]
    failed: Mapping[str, str]
    stand_ins: Mapping[str, Parser]


def load(asked: Mapping[str, AnySource] | None = None) -> Registry:
    """Load every storage system; one that cannot be had is kept with its reason and harms no other.

    Args:
        asked: the configuration's sources. One that is switched off there is not even loaded if it is a third party's;
            the owner's own programs stand nowhere else.
    """
    asked = asked or {}
    parsers: dict[str, Parser] = {}
    failed: dict[str, str] = {}
    stand_ins: dict[str, Parser] = {}
    plugins: list[Plugin] = []
    for name, values in _found().items():
        if len(values) > 1:
            # Which of them is meant, only the owner can say; taking either might be the wrong one.
            failed[name] = f"{' and '.join(values)} both claim this name; uninstall one of them"
        elif values[0].startswith(_OURS):
            try:
                parsers[name] = EntryPoint(name, values[0], GROUP).load()
            except Exception as error:  # noqa: BLE001 - a fault of ours in one must not cost the others
                failed[name] = f"{values[0]} fails to load: {error!r}"
        elif (source := asked.get(name, SourceSettings())).enabled is not False:
            plugins.append(Plugin(name, values[0], source.timeout_s))
            plugins[-1].begin()  # all at once: they load side by side
    for plugin in plugins:
        try:
            plugin.meet()
        except SourceError as error:
            failed[plugin.name] = str(error)
            stand_ins[plugin.name] = plugin
        else:
            parsers[plugin.name] = plugin
    for name, source in asked.items():
        if isinstance(source, ProgramSettings):
            parsers[name] = Printed(name, (PurePosixPath(source.argv[0]).name, *source.argv[1:]))
    others = {name: Failed(name, why) for name, why in failed.items() if name not in stand_ins}
    return Registry(dict(sorted(parsers.items())), failed, {**others, **stand_ins})


def reader(parsers: Mapping[str, Parser], capture: Capture) -> Parser | None:
    """What understands a recorded poll: its source's parser, or the JSON in it itself; None if nothing does.

    A recording of the owner's own program is read wherever it is taken, also where no such source is configured.
    """
    parser = parsers.get(capture.source)
    return Printed(capture.source) if parser is None and prints_itself(capture) else parser


def _found() -> dict[str, list[str]]:
    """What is installed under each name; one distribution that is found by two ways is one entry still."""
    found: dict[str, list[str]] = {}
    for name, value in sorted({(point.name, point.value) for point in entry_points(group=GROUP)}):
        found.setdefault(name, []).append(value)
    return found


@dataclass(frozen=True, slots=True)
class Failed:
    """Stands in for a storage system that cannot be had, or has given no answer."""

    name: str
    why: str
    program: None = None
    present_if: tuple[str, ...] = ()

    def wants(self, _reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """Say why there is nothing to be had.

        Raises:
            SourceError: always.
        """
        raise SourceError(self.why)

    def parse(self, _capture: Capture) -> Observation:
        """Say why there is nothing to be had.

        Raises:
            ParseError: always.
        """
        raise ParseError(self.why)
