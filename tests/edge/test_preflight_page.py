"""page-test as a child process, to real receivers on the loopback."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from support.receivers import Answer, http_receiver, mail_server


def page_test(file: Path, *argv: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "mendwatch.cli", "page-test", "--config", str(file), *argv]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "mendwatch.toml"


def webhook(name: str, url: str, levels: str = '["page"]') -> str:
    return f'[[channel]]\nname = "{name}"\nkind = "webhook"\nurl = "{url}"\nlevels = {levels}\n'


HOST = '[host]\nname = "store-1"\n'
LOG = '[[channel]]\nname = "journal"\nkind = "log"\n'


def test_it_goes_through_every_channel_whatever_levels_it_takes(file: Path) -> None:
    with http_receiver(Answer(202)) as hook, mail_server() as mail:
        email = (
            f'[[channel]]\nname = "mail"\nkind = "email"\nserver = "127.0.0.1"\nport = {mail.port}\nsecurity = "none"\n'
            'from = "store-1@example.org"\nto = ["oncall@example.org"]\nlevels = ["page"]\n'
        )
        file.write_text(HOST + webhook("ops", hook.url) + email + LOG, encoding="utf-8")
        done = page_test(file)
    assert done.returncode == 0, done.stderr
    assert [line.split(":")[0] for line in done.stdout.splitlines()] == [
        "ops (webhook)",
        "mail (email)",
        "journal (log)",
    ]
    assert "202 Accepted" in done.stdout
    event = hook.requests[0].event
    assert (event["data"]["kind"], event["data"]["level"], event["data"]["host"]) == ("test", "notice", "store-1")
    assert len(mail.mails) == 1
    assert "store-1" in mail.mails[0]["Subject"]
    # The same alert everywhere, and it is in the log as well.
    assert event["id"] in done.stderr


def test_one_that_fails_harms_no_other_and_ends_with_one(file: Path) -> None:
    with http_receiver(Answer(204)) as good, http_receiver(Answer(410)) as gone:
        file.write_text(
            HOST + webhook("gone", gone.url) + webhook("nobody", "http://127.0.0.1:1/") + webhook("ops", good.url),
            encoding="utf-8",
        )
        done = page_test(file)
    assert done.returncode == 1
    refused, unreached, delivered = (line for line in done.stdout.splitlines() if not line.startswith("  ->"))
    assert refused.startswith("gone (webhook): NOT delivered: ")
    assert "410" in refused
    assert unreached.startswith("nobody (webhook): NOT delivered: ")
    assert delivered.startswith("ops (webhook): delivered: 204")
    assert done.stdout.count("  -> ") == 2
    assert len(good.requests) == 1


def test_a_secret_that_is_missing_fails_that_channel_alone(file: Path, tmp_path: Path) -> None:
    with http_receiver(Answer(204)) as good:
        secret = f'secret_file = "{tmp_path / "none"}"\n'
        file.write_text(webhook("signed", good.url) + secret + webhook("ops", good.url), encoding="utf-8")
        done = page_test(file, "--json")
    assert done.returncode == 1
    signed, ops = (json.loads(line) for line in done.stdout.splitlines())
    assert (signed["channel"], signed["delivered"], ops["channel"], ops["delivered"]) == ("signed", False, "ops", True)
    assert "secret_file" in signed["said"]
    assert signed["to_do"]
    assert ops["to_do"] is None


def test_only_the_named_channel_is_tried(file: Path) -> None:
    with http_receiver(Answer(204)) as one, http_receiver(Answer(204)) as other:
        file.write_text(webhook("one", one.url) + webhook("other", other.url), encoding="utf-8")
        assert page_test(file, "--channel", "other").returncode == 0
        assert (len(one.requests), len(other.requests)) == (0, 1)
        done = page_test(file, "--channel", "third")
    assert done.returncode == 2
    assert "there are: one, other" in done.stderr


@pytest.mark.parametrize("channels", ["", LOG])
def test_where_no_channel_reaches_a_person_it_says_so(file: Path, channels: str) -> None:
    file.write_text(HOST + channels, encoding="utf-8")
    done = page_test(file)
    assert done.returncode == 1
    assert "No channel reaches a person" in done.stderr


def test_a_wrong_configuration_is_told_with_every_problem(file: Path) -> None:
    file.write_text('[hots]\n[[channel]]\nname = "ops"\nkind = "webhok"\n', encoding="utf-8")
    done = page_test(file)
    assert done.returncode == 2
    assert [line.split(": ")[:3] for line in done.stderr.splitlines()] == [
        ["mendwatch", str(file), "hots"],
        ["mendwatch", str(file), "channel[1] (ops).kind"],
    ]
