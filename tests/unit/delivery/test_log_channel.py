"""The log as a channel."""

from __future__ import annotations

from structlog.testing import capture_logs

from mendwatch.delivery.channels.log import CHANNEL
from support.receivers import HandClock, alert, message


def test_an_alert_is_one_event_with_its_fields() -> None:
    with capture_logs() as lines:
        sender = CHANNEL.open("journal", {}, "store-1", HandClock())
        assert sender.send(message()) == "written to the log"
    assert lines == [
        {
            "event": "alert",
            "log_level": "warning",
            "channel": "journal",
            "id": alert().id,
            "kind": "redundancy-reduced",
            "alert_level": "page",
            "array": "vault",
            "title": message().title,
        }
    ]
