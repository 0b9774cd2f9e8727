"""``mendwatch status``: how the arrays stand."""

from __future__ import annotations

import json as jsonlib
import shutil
import socket
import sys
from dataclasses import asdict
from typing import Annotated

import typer

from mendwatch import cycle
from mendwatch.cli.common import ConfigOption, HistoryOption, JsonOption, load, open_history
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.zone import local_zone
from mendwatch.model.alert import Alert, Fact
from mendwatch.model.records import SourceRecord
from mendwatch.model.status import ArrayStatus, DriveStatus, RunStatus
from mendwatch.reports import messages, published, terminal

WIDTH_ON_A_PIPE = 80
Drives = Annotated[
    bool, typer.Option("--drives", help="Every member's drive with model, serial number, size, sectors, link.")
]


def command(
    config: ConfigOption = None,
    history: HistoryOption = None,
    json: JsonOption = False,  # noqa: FBT002 - a flag
    drives: Drives = False,  # noqa: FBT002 - a flag
) -> None:
    """How the arrays stand: rebuilds with their projected end beside the policy, standing alerts, sources."""
    configuration = load(config)
    host = configuration.settings.to_policy(configuration.settings.host.name or socket.gethostname())
    with open_history(configuration, history) as store:
        arrays = [status for text in store.states().values() for status in cycle.statuses(text, host)]
        sources = store.sources()
    if json:
        line = {"arrays": [_array(status) for status in arrays], "sources": [_source(source) for source in sources]}
        typer.echo(jsonlib.dumps(line, ensure_ascii=False))
        return
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else WIDTH_ON_A_PIPE
    typer.echo(terminal.status(arrays, sources, SystemClock().now(), local_zone(), width, every_drive=drives))


def _array(status: ArrayStatus) -> dict[str, Fact]:
    array = status.array
    return {
        "name": array.name,
        "id": status.array_id,
        "system": array.system,
        "level": array.level,
        "state": array.state,
        "redundancy_full": status.redundancy_full,
        "redundancy_left": status.redundancy_left,
        "seen": published.rfc3339(status.seen),
        "gone": status.gone,
        "window": published.window(status.window) if status.window is not None else None,
        "limits_hours": {f"left_{level}": hours for level, hours in status.limits_hours.items()},
        "clocks_hours": {f"left_{level}": hours for level, hours in status.clocks_hours.items()},
        "usual_hours": status.usual_hours,
        "usual_basis": status.usual_basis,
        "runs": [_run(run, array.name, status.array_id) for run in status.runs],
        "standing": [_alert_line(alert) for alert in (published.alert(a, *_words(a)) for a in status.standing)],
        "suspects": [*status.suspects],
        "drives": [_drive(drive) for drive in status.drives],
        "shared_drives": [*status.shared],
    }


def _drive(drive: DriveStatus) -> Fact:
    return {
        "member": drive.member,
        "drive": drive.drive,
        "listed": drive.listed,
        **asdict(drive.facts),
        "io_errors": drive.io_errors,
    }


def _words(alert: Alert) -> tuple[str, str]:
    message = messages.render(alert, local_zone())
    return message.title, message.text


def _alert_line(line: dict[str, Fact]) -> Fact:
    return {name: line[name] for name in ("id", "at", "kind", "level", "reminder", "title")}


def _run(run: RunStatus, array: str, array_id: str) -> Fact:
    progress = published.progress(array, array_id, run.sample) if run.sample is not None else None
    return {**published.run(run.run), "done": run.done, "held": run.held, "progress": progress}


def _source(source: SourceRecord) -> Fact:
    return {
        "source": source.source,
        "polled": published.rfc3339(source.polled),
        "sighted": published.rfc3339(source.sighted) if source.sighted is not None else None,
        "error": source.error,
        "unread": source.unread,
        "first_unread": [{"line": line.line, "text": line.text} for line in source.first_unread],
        "arrays": [*source.arrays],
    }
