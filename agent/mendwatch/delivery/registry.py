"""The kinds of channels on this machine: ours and those that plug-ins bring, by one door."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from importlib.metadata import entry_points
from typing import cast

from mendwatch.model.clock import Clock
from mendwatch.model.errors import Problem, SettingsError
from mendwatch.model.plugin import Channel, Sender
from mendwatch.settings.parse import ChannelSettings

GROUP = "mendwatch.channels"


@dataclass(frozen=True, slots=True)
class Registry:
    """What was found.

    Attributes:
        channels: by kind.
        failed: kinds that could not be loaded, with the reason.
    """

    channels: Mapping[str, Channel]
    failed: Mapping[str, str]

    def open(self, settings: ChannelSettings, host: str, clock: Clock) -> Sender:
        """Open one channel of the configuration.

        Raises:
            SettingsError: its kind cannot be had, or it cannot be opened with these options.
        """
        channel = self.channels.get(settings.kind)
        if channel is None:
            why = self.failed.get(settings.kind, "nothing on this machine brings it")
            problem = Problem(f'kind of the channel "{settings.name}"', f"{settings.kind} cannot be had: {why}", _RIGHT)
            raise SettingsError(settings.name, (problem,))
        return channel.open(settings.name, settings.options, host, clock)


_RIGHT = "install what brings it, or take another kind"


def kinds() -> tuple[str, ...]:
    """The names of all kinds, without loading any."""
    return tuple(sorted({entry.name for entry in entry_points(group=GROUP)}))


def load(wanted: Collection[str]) -> Registry:
    """Load these kinds and no others, since each costs memory; one that fails is kept with its reason."""
    channels: dict[str, Channel] = {}
    failed: dict[str, str] = {}
    for entry in sorted(entry_points(group=GROUP), key=lambda entry: (entry.name, entry.value)):
        if entry.name not in wanted:
            continue
        if entry.name in channels:
            failed[entry.name] = f"there are two of this name; {entry.value} is left out"
            continue
        try:
            channels[entry.name] = cast("Channel", entry.load())
        except Exception as error:  # noqa: BLE001 - whatever a plug-in does, the others must load
            failed[entry.name] = f"{entry.value} fails to load: {error!r}"
    return Registry(channels, failed)
