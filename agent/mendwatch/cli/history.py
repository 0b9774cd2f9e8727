"""``mendwatch history``: every rebuild, pass and degraded window so far."""

from __future__ import annotations

import json as jsonlib

import typer

from mendwatch.cli.common import ConfigOption, HistoryOption, JsonOption, load, open_history
from mendwatch.daemon.zone import local_zone
from mendwatch.reports import published, terminal


def command(config: ConfigOption = None, history: HistoryOption = None, json: JsonOption = False) -> None:  # noqa: FBT002 - a flag
    """Rebuilds, passes and degraded windows so far, the newest first."""
    with open_history(load(config), history) as store:
        runs = sorted(store.runs(), key=lambda run: run.started, reverse=True)
        windows = sorted(store.windows(), key=lambda window: window.opened, reverse=True)
    if json:
        records = [*map(published.run, runs), *map(published.window, windows)]
        typer.echo(jsonlib.dumps(records, ensure_ascii=False))
    else:
        typer.echo(terminal.history_text(runs, windows, local_zone()))
