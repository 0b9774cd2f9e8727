"""The CloudEvents envelope, against the attributes that CloudEvents 1.0 (spec.md, formats/json-format.md) requires."""

from __future__ import annotations

import json
import re
from datetime import datetime
from urllib.parse import unquote, urlsplit

import pytest

from mendwatch.delivery.channels.webhook import event
from support.receivers import alert, message


def test_the_envelope_has_the_required_attributes_and_the_contracts_values() -> None:
    made = json.loads(event(message(), "store-1"))
    assert made == {
        "specversion": "1.0",
        "id": alert().id,
        "source": "/hosts/store-1",
        "type": "mendwatch.alert",
        "subject": "vault",
        "time": "2026-03-01T02:03:05.567000Z",
        "datacontenttype": "application/json",
        "data": message().data,
    }
    assert all(re.fullmatch("[a-z0-9]{1,20}", name) for name in made)
    assert datetime.fromisoformat(made["time"]) == alert().at


@pytest.mark.parametrize("host", ["store-1", "büro 2/a?b#c", "%41", "\x1b[0m\n"])
def test_any_host_name_makes_a_uri_reference(host: str) -> None:
    source = json.loads(event(message(), host))["source"]
    assert re.fullmatch(r"/hosts/[A-Za-z0-9%._~-]+", source)
    assert unquote(urlsplit(source).path.removeprefix("/hosts/")) == host


def test_there_is_no_empty_subject() -> None:
    """An attribute that is there must not be empty."""
    assert "subject" not in json.loads(event(message(alert(array="")), "store-1"))


def test_odd_names_stay_what_they_are() -> None:
    odd = 'a"b\\c\n\x00\u2028\ud800<script>'
    body = event(message(alert(array=odd), data={"array": odd}), "store-1")
    assert body.isascii()
    assert json.loads(body)["subject"] == json.loads(body)["data"]["array"] == odd
