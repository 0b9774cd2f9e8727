"""``mendwatch page-test``: does a page arrive?"""

from __future__ import annotations

import json as jsonlib
import os
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Annotated

import typer

from mendwatch.cli.common import ConfigOption, JsonOption, load
from mendwatch.daemon import journal
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.zone import local_zone
from mendwatch.delivery import registry
from mendwatch.model.alert import Alert, AlertKind, Message, about_agent
from mendwatch.model.clock import Clock
from mendwatch.model.errors import DeliveryError, SettingsError, UsageError
from mendwatch.reports import messages
from mendwatch.reports.clean import clean
from mendwatch.settings import ChannelSettings

Only = Annotated[str | None, typer.Option("--channel", metavar="NAME", help="Only this channel.", show_default=False)]

_AGAIN = "try again in a while; if it stays so, look at the other side"
_FINAL = "look at the channel's settings, or ask who runs the other side"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of the test by one channel."""

    channel: ChannelSettings
    arrived: bool
    said: str
    to_do: str = ""


def command(config: ConfigOption = None, channel: Only = None, json: JsonOption = False) -> None:  # noqa: FBT002 - a flag
    """Send a test alert through every channel, whatever levels it takes, and say what became of each."""
    settings = load(config).settings
    chosen = tuple(one for one in settings.channels if channel in {None, one.name})
    if channel is not None and not chosen:
        names = ", ".join(one.name for one in settings.channels) or "none is configured"
        refusal = f"--channel {channel}: there is no such channel; there are: {names}"
        raise UsageError(refusal)
    journal.set_up(sys.stderr)  # a channel of kind log writes there
    clock = SystemClock()
    host = settings.host.name or os.uname().nodename
    message = messages.render(test_alert(host, clock), local_zone())
    kinds = registry.load({one.kind for one in chosen})
    with ThreadPoolExecutor(max_workers=max(1, len(chosen))) as pool:
        outcomes = pool.map(lambda one: _send(one, kinds, host, clock, message), chosen)
        failed = False
        for outcome in outcomes:
            failed = failed or not outcome.arrived
            typer.echo(_json(outcome) if json else _text(outcome))
    if not any(one.kind != "log" for one in chosen) and channel is None:
        failed = True
        typer.echo("No channel reaches a person: add a [[channel]] of kind webhook or email.", err=True)
    if failed:
        raise typer.Exit(1)


def test_alert(host: str, clock: Clock) -> Alert:
    """A notice that says nothing but that it arrived; each has an id of its own."""
    at = clock.now()
    return about_agent(AlertKind.TEST, f"test/{at.isoformat()}", host, at, {})


def _send(channel: ChannelSettings, kinds: registry.Registry, host: str, clock: Clock, message: Message) -> Outcome:
    try:
        said = kinds.open(channel, host, clock).send(message)
    except SettingsError as error:
        problems = "; ".join(f"{problem.where}: {problem.what}" for problem in error.problems)
        return Outcome(channel, arrived=False, said=problems, to_do="; ".join(p.right for p in error.problems))
    except DeliveryError as error:
        return Outcome(channel, arrived=False, said=str(error), to_do=_AGAIN if error.again else _FINAL)
    return Outcome(channel, arrived=True, said=said)


def _json(outcome: Outcome) -> str:
    line = {
        "type": "page-test",
        "channel": outcome.channel.name,
        "kind": outcome.channel.kind,
        "delivered": outcome.arrived,
        "said": outcome.said,
        "to_do": outcome.to_do or None,
    }
    return jsonlib.dumps(line, ensure_ascii=False)


def _text(outcome: Outcome) -> str:
    how = "delivered" if outcome.arrived else "NOT delivered"
    line = f"{clean(outcome.channel.name)} ({clean(outcome.channel.kind)}): {how}: {clean(outcome.said)}"
    return line + (f"\n  -> {clean(outcome.to_do)}" if outcome.to_do else "")
