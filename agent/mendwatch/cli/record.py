"""``mendwatch record``: writes what the sources say into a recording, once or for a time."""

from __future__ import annotations

import secrets
import socket
from collections.abc import Iterator, Sequence
from contextlib import closing, suppress
from pathlib import Path
from typing import Annotated, Protocol

import typer

from mendwatch.cli.common import ConfigOption
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.configfile import load
from mendwatch.daemon.wiring import poller
from mendwatch.model.capture import Capture
from mendwatch.model.clock import Clock
from mendwatch.model.durations import read_duration
from mendwatch.model.errors import SourceError, UsageError
from mendwatch.settings import Settings
from mendwatch.sources import registry
from mendwatch.sources.disks import Disks
from mendwatch.sources.poll import Poller
from mendwatch.sources.recording import Header, RecordingWriter, capture_to_json, header_to_json, to_line
from mendwatch.sources.redact import Redactor
from mendwatch.sources.run import Runner

Output = Annotated[
    Path | None, typer.Option("--output", "-o", help="The file, .jsonl or .jsonl.gz; without it, standard output.")
]
For = Annotated[
    str | None, typer.Option("--for", help="Go on for this long, such as 90s, 20m or 9d; without it, once.")
]
Every = Annotated[str, typer.Option("--every", help="The pause from one poll to the next.")]
Source = Annotated[list[str] | None, typer.Option("--source", help="Only this source; can be given several times.")]
Redact = Annotated[bool, typer.Option("--redact", help="Replace serial numbers and names, to show it to strangers.")]
Force = Annotated[bool, typer.Option("--force", help="Replace a file that exists.")]


class Sink(Protocol):
    """Where the polls go."""

    def append(self, capture: Capture) -> None:
        """Take one poll."""
        ...

    def close(self) -> None:
        """Nothing more comes."""
        ...


def command(
    output: Output = None,
    for_: For = None,
    every: Every = "30s",
    source: Source = None,
    redact: Redact = False,  # noqa: FBT002 - a flag
    force: Force = False,  # noqa: FBT002 - a flag
    config: ConfigOption = None,
) -> None:
    """Write what the storage systems say into a recording, once or for a time; nothing is changed on the host."""
    lasts_s = None if for_ is None else _seconds("--for", for_)
    pause_s = _seconds("--every", every)
    settings = load(config).settings
    clock = SystemClock()
    pollers = _pollers(settings, source or [], clock)
    host = settings.host.name or socket.gethostname()
    # The tools are run with TZ=UTC0, so that the dates which they print without a zone are in UTC.
    header = Header(host, "UTC")
    redactor = Redactor(secrets.token_bytes(32), host) if redact else None
    if redactor is not None:
        header = redactor.header(header)
    count = 0
    sink: Sink = _Printer(header) if output is None else RecordingWriter(output, header, overwrite=force)
    # Ended by hand, it is a recording that ends there.
    with closing(sink), suppress(KeyboardInterrupt):
        for capture in _polls(pollers, clock, lasts_s, pause_s):
            sink.append(capture if redactor is None else redactor.capture(capture))
            count += 1
    names = ", ".join(one.parser.name for one in pollers)
    typer.echo(
        f"Recorded {count} poll{'' if count == 1 else 's'} of {names}" + (f" in {output}." if output else "."), err=True
    )
    if redact:
        typer.echo("Names and numbers were replaced. Look it through before you hand it on.", err=True)


class _Printer:
    """Standard output as a recording."""

    def __init__(self, header: Header) -> None:
        self._print(header_to_json(header))

    def append(self, capture: Capture) -> None:
        self._print(capture_to_json(capture))

    def close(self) -> None:
        """Nothing is held back."""

    def _print(self, known: dict[str, object]) -> None:
        typer.echo(to_line(known), nl=False)


def _polls(pollers: Sequence[Poller], clock: Clock, lasts_s: float | None, pause_s: float) -> Iterator[Capture]:
    """Poll everything, then again after each pause, by steady time, until the time is over."""
    begun = clock.ticks()
    due = begun
    while True:
        for one in pollers:
            try:
                yield one.capture()
            except SourceError as error:  # a plug-in's fault; the others go on
                typer.echo(f"mendwatch: {one.parser.name}: {error}", err=True)
        # A poll that took longer than the pause is not made up for.
        due = max(due + pause_s, clock.ticks())
        if lasts_s is None or due - begun > lasts_s:
            return
        clock.wait(due - clock.ticks())


def _pollers(settings: Settings, wanted: Sequence[str], clock: Clock) -> list[Poller]:
    found = registry.load(settings.sources)
    for name in wanted:
        if name in found.failed:
            message = f"--source {name}: cannot be had: {found.failed[name]}"
            raise UsageError(message)
        if name not in found.parsers:
            message = f"--source {name}: no such source; there are {', '.join(found.parsers)}"
            raise UsageError(message)
    runner = Runner(clock)
    disks = Disks(clock, Path(settings.host.root))
    pollers = []
    for name, parser in found.parsers.items():
        one = poller(parser, settings, disks, runner, clock)
        if name in wanted or (not wanted and settings.sources[name].enabled is not False and one.present()):
            pollers.append(one)
    if not pollers:
        message = "no storage system that we know was found on this host; nothing was recorded"
        raise SourceError(message)
    return pollers


def _seconds(option: str, value: str) -> float:
    try:
        return read_duration(value)
    except ValueError as error:
        message = f"{option}: {error}"
        raise UsageError(message) from error
