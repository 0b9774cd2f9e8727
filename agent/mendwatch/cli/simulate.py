"""``mendwatch simulate``: writes a recording of an invented rebuild."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from mendwatch.model.durations import read_duration
from mendwatch.model.errors import UsageError
from mendwatch.simulator import Kind, Scenario, captures
from mendwatch.sources.recording import Header, RecordingWriter

_SIZE = re.compile(r"(\d{1,6}(?:\.\d{1,3})?)(GB|TB)", re.ASCII | re.IGNORECASE)
_SIZE_BYTES = {"GB": 10**9, "TB": 10**12}
_START = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)


def command(
    kind: Annotated[Kind, typer.Argument(help="How the rebuild goes.")],
    output: Annotated[Path, typer.Option("--output", "-o", help="The recording to write (.jsonl or .jsonl.gz).")],
    system: Annotated[str, typer.Option(help="Whose output is imitated: zfs or md.")] = "zfs",
    drives: Annotated[int, typer.Option(help="Members of the array, 4 to 12.")] = 4,
    size: Annotated[str, typer.Option(help="Size of each drive, such as 4TB.")] = "4TB",
    level: Annotated[
        str | None, typer.Option(help="raidz1 to raidz3, raid5, raid6; by default after the drives.")
    ] = None,
    array: Annotated[str | None, typer.Option(help="Name of the pool or md device.")] = None,
    host: Annotated[str, typer.Option(help="Name of the invented host.")] = "store-1",
    every: Annotated[str, typer.Option(help="Time between polls, such as 60s.")] = "60s",
    wait: Annotated[str, typer.Option(help="From the loss of the drive to its replacement.")] = "30m",
    load: Annotated[float, typer.Option(help="Share of the drives' time that users take in office hours.")] = 0.04,
    seed: Annotated[int, typer.Option(help="Another number invents another rebuild.")] = 1,
    force: Annotated[bool, typer.Option("--force", help="Replace the file if it exists.")] = False,  # noqa: FBT002 - the option's name
) -> None:
    """Write a recording of an invented rebuild, to be played with `mendwatch replay`."""
    try:
        scenario = Scenario(
            kind=kind,
            system=system,
            drives=drives,
            size_bytes=_read_size(size),
            level=level,
            host=host,
            array=array,
            start=_START,
            poll_s=_read(every, "--every"),
            wait_s=_read(wait, "--wait"),
            office_load=load,
            seed=seed,
        )
    except ValueError as error:
        message = f"this rebuild cannot be invented: {error}"
        raise UsageError(message) from error
    note = f"Invented by the simulator, no real host: {kind.value}, seed {seed}."
    polls = 0
    with RecordingWriter(output, Header(host=host, timezone=scenario.zone, note=note), overwrite=force) as writer:
        for capture in captures(scenario):
            writer.append(capture)
            polls += 1
    typer.echo(f"{output}: {polls} polls of an invented {kind.value} rebuild; play it with: mendwatch replay {output}")


def _read(text: str, option: str) -> float:
    try:
        return read_duration(text)
    except ValueError as error:
        message = f"{option}: {error}"
        raise UsageError(message) from error


def _read_size(text: str) -> int:
    found = _SIZE.fullmatch(text.strip())
    if found is None:
        message = f'--size: {text!r} is no size; write a number and its unit, such as "4TB" or "500GB"'
        raise UsageError(message)
    return int(float(found[1]) * _SIZE_BYTES[found[2].upper()])
