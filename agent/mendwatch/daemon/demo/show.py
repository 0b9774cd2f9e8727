"""Puts a showing together: configuration, listeners, channels, and what arrived at the end."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from email import message_from_bytes, policy
from email.message import EmailMessage
from functools import partial
from pathlib import Path
from typing import Any

from mendwatch.daemon.demo import story
from mendwatch.daemon.demo.listeners import MailListener, WebListener
from mendwatch.daemon.demo.play import Beat, Play, StoryClock
from mendwatch.daemon.watch import Rules
from mendwatch.delivery import registry as channels
from mendwatch.delivery.routes import deliveries, levels
from mendwatch.history import HISTORY_NAME, History
from mendwatch.model.alert import Level
from mendwatch.model.errors import UsageError
from mendwatch.reports import messages
from mendwatch.settings import parse
from mendwatch.sources import registry as parsers

CONFIGURATION = """\
# The configuration of the demo's invented server.
[host]
name = "{host}"
state_dir = "{folder}"

[policy]
{policy}

[[channel]]
name = "hook"
kind = "webhook"
url = "{url}"

[[channel]]
name = "mail"
kind = "email"
server = "{server}"
port = {port}
security = "none"    # to this very machine only
from = "{host}@example.org"
to = ["oncall@example.org"]
levels = ["page"]
"""


@dataclass(frozen=True, slots=True)
class Scene:
    """An act begins (``title``), or one poll of it was played (``beat``)."""

    title: str | None = None
    beat: Beat | None = None


class Showing:
    """One showing in a folder of its own; the listeners live as long as it does.

    Raises:
        UsageError: the folder cannot be used, or the demo's mail server is not installed.
    """

    def __init__(self, folder: Path) -> None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            message = f"{folder}: cannot be made ({error.strerror}); name another folder with --output"
            raise UsageError(message) from error
        self.history = folder / HISTORY_NAME
        self.configuration = folder / "mendwatch.toml"
        self.mail = MailListener()
        self.web = WebListener()
        self._text = CONFIGURATION.format(
            host=story.HOST,
            folder=folder.absolute(),
            policy=story.POLICY,
            url=self.web.url,
            server=self.mail.host,
            port=self.mail.port,
        )
        self.configuration.write_text(self._text, encoding="utf-8")

    def scenes(self) -> Iterator[Scene]:
        """Play both acts; what the history holds already is not played again.

        Raises:
            HistoryError: the history cannot be used.
        """
        settings = parse(self._text, str(self.configuration))
        clock = StoryClock(story.SPRING.scenario.start)
        kinds = channels.load({channel.kind for channel in settings.channels})
        senders = {channel.name: kinds.open(channel, story.HOST, clock) for channel in settings.channels}
        taken = {channel.name: levels(channel.options) for channel in settings.channels}
        rules = Rules(settings.to_policy(story.HOST), partial(deliveries, channels=taken))
        render = partial(messages.render, zone=story.SPRING.scenario.zone)
        parser = parsers.load().parsers[story.SPRING.scenario.system]
        with Play(self.history, parser, rules, senders, render, clock) as play:
            for act in (story.SPRING, story.SUMMER):
                yield Scene(title=act.title)
                for beat in play.beats(story.played(act)):
                    yield Scene(beat=beat)

    def events(self) -> list[dict[str, Any]]:
        """What the web hook received, in order."""
        return [json.loads(body) for body in self.web.bodies]

    def mails(self) -> list[EmailMessage]:
        """What the mailbox received, in order."""
        return [message_from_bytes(mail.content, policy=policy.default) for mail in self.mail.mails]

    def close(self) -> None:
        """Listen no more."""
        self.web.close()
        self.mail.close()


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the story came out as it must.

    Attributes:
        rebuilds: their ids, in order.
        paged_after: from the beginning of the slow replacement to its first page; None when there was none.
        why: what is wrong, empty if nothing is.
    """

    rebuilds: tuple[str, ...]
    paged_after: timedelta | None
    why: str

    @property
    def well(self) -> bool:
        """One replacement paged nobody, the other within its first hour, and all of it arrived."""
        return not self.why


def verdict(history: Path) -> Verdict:
    """Judge a showing by what its history holds.

    Raises:
        HistoryError: the history cannot be read.
    """
    with History.open(history, readonly=True) as store:
        pages = [alert for alert in store.alerts() if alert.level is Level.PAGE]
        rebuilds = store.runs(type="rebuild")
        records = [record for page in pages for record in store.deliveries(page.id)]
    begun = next((run.started for run in rebuilds if run.started >= story.SUMMER.scenario.start), None)
    after = min((page.at - begun for page in pages if begun is not None and page.at >= begun), default=None)
    faults = (
        (any(page.at < story.SUMMER.scenario.start for page in pages), "the good replacement paged"),
        (after is None or after > timedelta(hours=1), "the slow replacement did not page within its first hour"),
        (any(record.delivered is None for record in records), "a page did not arrive by every channel"),
    )
    return Verdict(tuple(run.id for run in rebuilds), after, "; ".join(why for wrong, why in faults if wrong))
