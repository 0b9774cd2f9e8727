"""The one place where the daemon's parts are put together from the configuration."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from mendwatch.daemon.configfile import load
from mendwatch.daemon.watch import Looker, Rules
from mendwatch.delivery import registry as channels
from mendwatch.delivery.routes import deliveries, levels
from mendwatch.model.clock import Clock
from mendwatch.model.plugin import Parser, Sender
from mendwatch.settings import ProgramSettings, Settings
from mendwatch.sources import registry as parsers
from mendwatch.sources.account import UNPRIVILEGED
from mendwatch.sources.disks import Disks
from mendwatch.sources.poll import Poller
from mendwatch.sources.run import Runner

# A look runs several commands, each of which may use up its time limit; one that takes longer still is given up.
_COMMANDS_A_LOOK = 6
_LEAST_LOOK_S = 60.0


@dataclass(frozen=True, slots=True)
class Wiring:
    """What one configuration asks for, ready to run.

    Attributes:
        host: the name in every message.
        lookers: by source, whatever is not switched off, with stand-ins for what could not be loaded.
        named: sources that are enabled by name, and must be there.
        senders: the open channels, by name.
        failed: plug-ins that could not be loaded, with the reason.
    """

    settings: Settings
    host: str
    rules: Rules
    lookers: Mapping[str, Looker]
    named: frozenset[str]
    senders: Mapping[str, Sender]
    failed: Mapping[str, str]

    @property
    def rebuild_s(self) -> float:
        """The pause while something rebuilds, never longer than the usual one."""
        return min(self.settings.polling.rebuild_s, self.settings.polling.idle_s)

    def pause_s(self, *, busy: bool) -> float:
        """How long to wait between two polls of a source."""
        return self.rebuild_s if busy else self.settings.polling.idle_s

    def look_limit_s(self, source: str) -> float:
        """How long one look at a source may take."""
        return max(_LEAST_LOOK_S, _COMMANDS_A_LOOK * self.settings.sources[source].timeout_s)


def wire(config: Path | None, runner: Runner, clock: Clock) -> Wiring:
    """Read the configuration and build what it asks for.

    Raises:
        UsageError: the configuration cannot be read.
        SettingsError: it is wrong, or a channel cannot be opened as it says.
    """
    settings = load(config, os.environ).settings
    host = settings.host.name or socket.gethostname()
    found = parsers.load(settings.sources)
    disks = Disks(clock, Path(settings.host.root))
    kinds = channels.load({channel.kind for channel in settings.channels})
    taken = {channel.name: levels(channel.options) for channel in settings.channels}
    return Wiring(
        settings=settings,
        host=host,
        rules=Rules(settings.to_policy(host), partial(deliveries, channels=taken)),
        lookers={
            name: poller(parser, settings, disks, runner, clock)
            for name, parser in {**found.parsers, **found.stand_ins}.items()
            if settings.sources[name].enabled is not False
        },
        named=frozenset(name for name, source in settings.sources.items() if source.enabled),
        senders={channel.name: kinds.open(channel, host, clock) for channel in settings.channels},
        failed={**found.failed, **kinds.failed},
    )


def poller(parser: Parser, settings: Settings, disks: Disks, runner: Runner, clock: Clock) -> Poller:
    """What polls one source as the configuration says."""
    source = settings.sources[parser.name]
    user, program = None, None
    if isinstance(source, ProgramSettings):
        user, program = source.user or (UNPRIVILEGED if os.geteuid() == 0 else None), source.argv[0]
    else:
        program = source.command
    return Poller(
        parser,
        root=settings.host.root,
        runner=runner,
        program=program,
        timeout_s=source.timeout_s,
        clock=clock,
        disks=disks,
        user=user,
    )
