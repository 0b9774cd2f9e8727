"""Once the channels are open, sending reads no file and imports nothing: the disk may be the very thing that hangs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from support.receivers import http_receiver, mail_server, make_certificate

SENDER = """
    import json, os, sys
    from mendwatch.delivery import registry
    from mendwatch.settings.parse import parse
    from support.receivers import HandClock, alert, message

    settings = parse(sys.argv[1], "test")
    kinds = registry.load([channel.kind for channel in settings.channels])
    senders = [kinds.open(channel, "store-1", HandClock()) for channel in settings.channels]
    ready = message()
    seen = []
    watching = True

    def hook(event, args):
        if watching and event in {"open", "import"}:
            seen.append((event, str(args[0])))

    sys.addaudithook(hook)
    if sys.argv[2]:
        os.chroot(sys.argv[2])
        os.chdir("/")
    for sender in senders:
        print(sender.send(ready), file=sys.stderr)
    watching = False
    print(json.dumps(seen))
"""


@pytest.mark.parametrize(
    ("host", "shut_in"), [("localhost", False), pytest.param("127.0.0.1", True, marks=pytest.mark.root)]
)
def test_sending_needs_no_disk(tmp_path: Path, host: str, shut_in: bool) -> None:
    """Python's own openings are watched; and, shut into an empty folder, neither OpenSSL nor anybody finds a file.

    Resolving a name does read files in the C library (hosts, resolver settings), which cannot be had beforehand: so
    the second case names the server by its address.
    """
    if shut_in and os.geteuid() != 0:
        pytest.skip("shutting a process into a folder needs root")
    empty = tmp_path / "empty"
    empty.mkdir()
    made = make_certificate(tmp_path)
    (tmp_path / "secret").write_text("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    (tmp_path / "password").write_text("a good password")
    with (
        http_receiver(context=made.context()) as receiver,
        mail_server(tls_context=made.context(), with_login=True) as box,
    ):
        settings = f"""
            [[channel]]
            name = "ops"
            kind = "webhook"
            url = "{receiver.url.replace("127.0.0.1", host)}"
            secret_file = "{tmp_path}/secret"
            ca_file = "{made.certificate}"
            [[channel]]
            name = "mail"
            kind = "email"
            server = "{host}"
            port = {box.port}
            user = "store-1"
            password_file = "{tmp_path}/password"
            ca_file = "{made.certificate}"
            from = "store-1@example.org"
            to = ["oncall@example.org"]
            [[channel]]
            name = "log"
            kind = "log"
        """
        run = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(SENDER), settings, str(empty) if shut_in else ""],
            check=False,
            capture_output=True,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent), "no_proxy": host},
        )
        assert run.returncode == 0, run.stderr
        assert len(receiver.requests) == len(box.mails) == 1
    assert json.loads(run.stdout.splitlines()[-1]) == []
