"""The demo's receiving end: a web server and a mail server on the loopback that keep what arrives."""

from __future__ import annotations

import socket
import threading
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, HTTPServer

from mendwatch.model.errors import UsageError

_LOOPBACK = "127.0.0.1"


@dataclass(frozen=True, slots=True)
class Mail:
    """A mail as it came in."""

    sender: str
    recipients: tuple[str, ...]
    content: bytes


class WebListener:
    """Takes webhooks: answers each with 202 and keeps its body."""

    def __init__(self) -> None:
        self.bodies: list[bytes] = []
        bodies = self.bodies

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                bodies.append(self.rfile.read(int(self.headers.get("Content-Length", "0"))))
                self.send_response(202)
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's signature
                """Keep the terminal to the story."""

        self._server = HTTPServer((_LOOPBACK, 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://{_LOOPBACK}:{self._server.server_port}/alerts"

    def close(self) -> None:
        """Listen no more."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


class MailListener:
    """Takes mail for anyone and keeps it.

    Raises:
        UsageError: the mail server is not installed.
    """

    def __init__(self) -> None:
        try:
            from aiosmtpd.controller import Controller  # noqa: PLC0415 - an extra that only the demo needs
            from aiosmtpd.smtp import SMTP, Envelope, Session  # noqa: PLC0415
        except ImportError as error:
            message = (
                "the demo's mail server (aiosmtpd) is not installed; install it with: pip install 'mendwatch[demo]'"
            )
            raise UsageError(message) from error
        self.mails: list[Mail] = []
        mails = self.mails

        class Handler:
            async def handle_DATA(  # noqa: N802 - the library's name for it
                self, _server: SMTP, _session: Session, envelope: Envelope
            ) -> str:
                content = envelope.content
                mails.append(
                    Mail(
                        envelope.mail_from or "",
                        tuple(envelope.rcpt_tos),
                        content if isinstance(content, bytes) else (content or "").encode(),
                    )
                )
                return "250 taken"

        # The library cannot be asked for any free port, so one is found first.
        with socket.create_server((_LOOPBACK, 0)) as free:
            self.port = int(free.getsockname()[1])
        self.host = _LOOPBACK
        self._controller = Controller(Handler(), hostname=_LOOPBACK, port=self.port)
        self._controller.start()

    def close(self) -> None:
        """Listen no more."""
        self._controller.stop()
