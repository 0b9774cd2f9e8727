"""``mendwatch replay``: plays recordings through the whole pipeline and shows what would have been said."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from mendwatch.cli.common import ConfigOption, HistoryOption, JsonOption
from mendwatch.daemon.configfile import load
from mendwatch.daemon.playback import play
from mendwatch.history import History
from mendwatch.model.alert import Alert, Fact
from mendwatch.model.capture import Capture
from mendwatch.reports import messages, published
from mendwatch.sources import registry
from mendwatch.sources.recording import BrokenLine, Line, Recording, merge, read_recording

Files = Annotated[list[Path], typer.Argument(metavar="RECORDING…", help="Recordings of one host.")]


def command(
    recordings: Files,
    config: ConfigOption = None,
    history: HistoryOption = None,
    json: JsonOption = False,  # noqa: FBT002 - a flag
) -> None:
    """Play recordings through the whole pipeline, with their own times as the clock, delivering nothing."""
    opened = open_all(recordings)
    settings = load(config).settings
    name = next((r.header.host for r in opened if r.header.host), None) or settings.host.name or "unknown-host"
    host = settings.to_policy(name)
    zone = opened[0].header.timezone
    show = _Lines(zone) if json else _Text(zone)
    # A history that an agent writes is not ours to continue.
    with History.open(history or ":memory:", exclusive=history is not None) as store:
        captures = playable(merge(opened))
        for step in play(captures, registry.load(settings.sources).parsers, host, store, _unknown):
            for entry in step.progress:
                show.progress(published.progress(entry.array, entry.array_id, entry.sample))
            for alert in step.commit.alerts:
                show.alert(alert)
        show.records(store)


def open_all(files: list[Path]) -> list[Recording]:
    """The recordings, each with its header read.

    Raises:
        UsageError: one of them cannot be read or is no recording.
    """
    return [read_recording(file) for file in files]


def playable(lines: Iterator[Line]) -> Iterator[Capture]:
    """The polls; broken lines are reported on standard error and skipped."""
    for line in lines:
        if isinstance(line, BrokenLine):
            typer.echo(f"mendwatch: {line.file}: line {line.number} skipped: {line.why}", err=True)
        else:
            yield line


def _unknown(source: str) -> None:
    typer.echo(f"mendwatch: no parser reads the source {source!r}; its polls are skipped", err=True)


class _Lines:
    """JSON Lines and nothing else."""

    def __init__(self, zone: str) -> None:
        self._zone = zone

    def progress(self, line: dict[str, Fact]) -> None:
        _print(line)

    def alert(self, alert: Alert) -> None:
        message = messages.render(alert, self._zone)
        _print(published.alert(alert, message.title, message.text))

    def records(self, store: History) -> None:
        for run in store.runs():
            _print(published.run(run))
        for window in store.windows():
            _print(published.window(window))


def _print(line: dict[str, Fact]) -> None:
    typer.echo(json.dumps(line, ensure_ascii=False))


class _Text:
    """What was said, as a person would have got it, then how each rebuild and window came out."""

    def __init__(self, zone: str) -> None:
        self._zone = zone

    def progress(self, line: dict[str, Fact]) -> None:
        """The text tells alerts and ends only."""

    def alert(self, alert: Alert) -> None:
        message = messages.render(alert, self._zone)
        typer.echo(f"{published.rfc3339(alert.at)}  {alert.level.value}  {alert.kind.value}")
        typer.echo(message.title)
        typer.echo(message.text)
        typer.echo("")

    def records(self, store: History) -> None:
        from mendwatch.reports import terminal  # noqa: PLC0415 - only the text needs the tables

        typer.echo(terminal.history_text(store.runs(), store.windows(), self._zone))
