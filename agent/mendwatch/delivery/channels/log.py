"""The agent's own log as a channel."""

from __future__ import annotations

from collections.abc import Mapping

import structlog

from mendwatch.model.alert import Message
from mendwatch.model.clock import Clock
from mendwatch.model.plugin import Sender


class _LogSender:
    def __init__(self, name: str) -> None:
        self._log = structlog.get_logger().bind(channel=name)

    def send(self, message: Message) -> str:
        alert = message.alert
        self._log.warning(
            "alert",
            id=alert.id,
            kind=alert.kind.value,
            alert_level=alert.level.value,  # "level" is the log line's own
            array=alert.array,
            title=message.title,
        )
        return "written to the log"


class LogChannel:
    """Writes each alert as one line."""

    kind = "log"

    def open(self, name: str, _options: Mapping[str, object], _host: str, _clock: Clock) -> Sender:
        """It needs nothing."""
        return _LogSender(name)


CHANNEL = LogChannel()
