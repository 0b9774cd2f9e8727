"""Once the channels are open, sending reads no file and imports nothing: the disk may be the very thing that hangs."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

from support.receivers import http_receiver, mail_server, make_certificate

SENDER = """
    import json, sys
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
    for sender in senders:
        print(sender.send(ready), file=sys.stderr)
    watching = False
    print(json.dumps(seen))
"""


def test_sending_needs_no_disk(tmp_path: Path) -> None:
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
            url = "{receiver.url.replace("127.0.0.1", "localhost")}"
            secret_file = "{tmp_path}/secret"
            ca_file = "{made.certificate}"
            [[channel]]
            name = "mail"
            kind = "email"
            server = "localhost"
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
            [sys.executable, "-c", textwrap.dedent(SENDER), settings],
            check=False,
            capture_output=True,
            text=True,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent), "no_proxy": "localhost"},
        )
        assert run.returncode == 0, run.stderr
        assert len(receiver.requests) == len(box.mails) == 1
    assert json.loads(run.stdout.splitlines()[-1]) == []
