"""The configuration: declared once, read with every problem named, explained by a generated sample."""

from mendwatch.settings.parse import ChannelSettings, Settings, parse
from mendwatch.settings.sample import sample
from mendwatch.settings.tables import (
    KNOWN_SOURCES,
    AnySource,
    HostSettings,
    PolicySettings,
    PollingSettings,
    ProgramSettings,
    SourceSettings,
)

__all__ = [
    "KNOWN_SOURCES",
    "AnySource",
    "ChannelSettings",
    "HostSettings",
    "PolicySettings",
    "PollingSettings",
    "ProgramSettings",
    "Settings",
    "SourceSettings",
    "parse",
    "sample",
]
