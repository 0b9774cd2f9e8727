"""``mendwatch show``: one rebuild, pass or window, with its alerts and how each was delivered."""

from __future__ import annotations

import json as jsonlib
import shutil
import sys
from typing import Annotated

import typer

from mendwatch.cli.common import ConfigOption, HistoryOption, JsonOption, load, open_history
from mendwatch.daemon.zone import local_zone
from mendwatch.history import History
from mendwatch.model.alert import Alert, Fact
from mendwatch.model.errors import UsageError
from mendwatch.model.store import DeliveryRecord
from mendwatch.reports import messages, published, terminal

WIDTH_ON_A_PIPE = 80
Id = Annotated[str, typer.Argument(metavar="ID", help="Its id, or as much of it as makes it unambiguous.")]


def command(
    record: Id,
    config: ConfigOption = None,
    history: HistoryOption = None,
    json: JsonOption = False,  # noqa: FBT002 - a flag
) -> None:
    """One rebuild, pass or degraded window: figures, causes, and which alert was delivered when and how."""
    with open_history(load(config), history) as store:
        typer.echo(_window(store, record, json=json) if _is_window(store, record) else _run(store, record, json=json))


def _is_window(store: History, record: str) -> bool:
    """Whether the id is a window's.

    Raises:
        UsageError: nothing has this id, or more than one thing does.
    """
    runs = [run.id for run in store.runs() if run.id.startswith(record)]
    windows = [window.id for window in store.windows() if window.id.startswith(record)]
    found = [name for name in (*runs, *windows) if name == record] or [*runs, *windows]
    if len(found) != 1:
        count = "nothing has" if not found else f"{len(found)} records have ids that begin with"
        message = f"{count} the id {record!r}; mendwatch history lists them"
        raise UsageError(message)
    return found[0] in windows


def _run(store: History, record: str, *, json: bool) -> str:
    run = store.run(record)
    alerts = store.alerts(rebuild=run.id)
    samples = tuple(store.samples(run.id))
    if json:
        told: list[Fact] = [published.progress(run.array, run.array_id, sample) for sample in samples]
        return _json(published.run(run), alerts, store, told)
    return terminal.show_run(run, samples, alerts, _deliveries(store, alerts), local_zone(), _width())


def _window(store: History, record: str, *, json: bool) -> str:
    window = store.window(record)
    alerts = store.alerts(window=window.id)
    if json:
        return _json(published.window(window), alerts, store, None)
    runs = [run for run in store.runs() if run.id in window.rebuilds]
    return terminal.show_window(window, runs, alerts, _deliveries(store, alerts), local_zone())


def _width() -> int:
    return shutil.get_terminal_size().columns if sys.stdout.isatty() else WIDTH_ON_A_PIPE


def _deliveries(store: History, alerts: tuple[Alert, ...]) -> list[tuple[str, str, str]]:
    """For each delivery: the alert's id, the channel, and how it fared in words."""
    return [(alert.id, d.channel, _fared(d)) for alert in alerts for d in store.deliveries(alert.id)]


def _fared(delivery: DeliveryRecord) -> str:
    if delivery.delivered is not None:
        return f"delivered {published.rfc3339(delivery.delivered)} ({delivery.detail})"
    if delivery.given_up is not None:
        return f"given up after {delivery.attempts} attempts: {delivery.detail}"
    return f"waiting, {delivery.attempts} attempts so far" + (f": {delivery.detail}" if delivery.detail else "")


def _json(record: dict[str, Fact], alerts: tuple[Alert, ...], store: History, samples: Fact) -> str:
    told: list[Fact] = []
    for alert in alerts:
        message = messages.render(alert, local_zone())
        deliveries: list[Fact] = [
            {"channel": d.channel, "attempts": d.attempts, "delivered": _at(d), "detail": d.detail}
            for d in store.deliveries(alert.id)
        ]
        told.append({**published.alert(alert, message.title, message.text), "deliveries": deliveries})
    whole: dict[str, Fact] = {**record, "alerts": told}
    if samples is not None:
        whole["progress"] = samples
    return jsonlib.dumps(whole, ensure_ascii=False)


def _at(delivery: DeliveryRecord) -> str | None:
    return published.rfc3339(delivery.delivered) if delivery.delivered is not None else None
