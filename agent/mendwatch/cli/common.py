"""Options that several verbs share, and the history as the reading verbs open it."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from mendwatch.daemon.configfile import Configuration, load
from mendwatch.history import HISTORY_NAME, History
from mendwatch.model.errors import UsageError

ConfigOption = Annotated[
    Path | None,
    typer.Option("--config", metavar="FILE", help="The configuration, if not the usual one.", show_default=False),
]
HistoryOption = Annotated[
    Path | None,
    typer.Option("--history", metavar="FILE", help="Another history than the agent's.", show_default=False),
]
JsonOption = Annotated[bool, typer.Option("--json", help="JSON instead of text.")]


def open_history(configuration: Configuration, history: Path | None) -> History:
    """The history for reading: the one named, else the agent's own.

    Raises:
        UsageError: there is none yet.
        HistoryError: it cannot be read.
    """
    path = history or Path(configuration.settings.host.state_dir) / HISTORY_NAME
    if not path.exists():
        message = f"{path}: there is no history yet; start the agent (mendwatch run), or name one with --history"
        raise UsageError(message)
    return History.open(path, readonly=True)


__all__ = ["ConfigOption", "HistoryOption", "JsonOption", "load", "open_history"]
