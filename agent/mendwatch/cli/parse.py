"""``mendwatch parse``: what the agent understood of each poll, before any tracking."""

from __future__ import annotations

import json as jsonlib

import typer

from mendwatch.cli.common import JsonOption
from mendwatch.cli.replay import Files, open_all, playable
from mendwatch.cycle import observe
from mendwatch.model.observation import Observation
from mendwatch.reports import published
from mendwatch.reports.clean import clean
from mendwatch.sources import registry
from mendwatch.sources.recording import merge


def command(recordings: Files, json: JsonOption = False) -> None:  # noqa: FBT002 - a flag
    """Show what the agent understood of each poll of a recording: one line a poll with --json."""
    parsers = registry.load().parsers
    for capture in playable(merge(open_all(recordings))):
        parser = registry.reader(parsers, capture)
        if parser is None:
            error = f"no parser reads the source {capture.source!r}"
            seen = Observation(capture.at, capture.source, error=error, complete=False)
        else:
            seen = observe(capture, parser)
        if json:
            typer.echo(jsonlib.dumps(published.observation(seen), ensure_ascii=False))
        else:
            _show(seen)


def _show(seen: Observation) -> None:
    typer.echo(f"{published.rfc3339(seen.at)}  {clean(seen.source)}" + (f"  {clean(seen.error)}" if seen.error else ""))
    for array in seen.arrays:
        left = "not known" if array.redundancy_left is None else str(array.redundancy_left)
        of = "" if array.redundancy_full is None else f" of {array.redundancy_full}"
        typer.echo(f"  {clean(array.name)}  {array.level or '-'}  {clean(array.state)}  redundancy left {left}{of}")
        for activity in array.activities or ():
            how = "runs" if activity.running else "waits" if activity.waiting else "held"
            done = "" if activity.done is None else f"  {activity.done:.2%}"
            typer.echo(f"    {clean(activity.word)}  {how}{done}  {', '.join(map(clean, activity.fills))}".rstrip())
        for member in array.members:
            mark = "good" if member.good else "being filled" if member.rebuilding else "not good"
            typer.echo(f"    {clean(member.name)}  {clean(member.state)}  {mark}")
    for line in seen.unread:
        typer.echo(f"  unread line {line.line}: {clean(line.text)}")
