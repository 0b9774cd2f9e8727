"""What alerts are sent to in tests: real servers on the loopback, and the alerts themselves."""

from __future__ import annotations

import json
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import SMTP
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, cast

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from mendwatch.model.alert import Alert, AlertKind, Level, Message

START = datetime(2026, 3, 1, 2, 3, 4, 567000, tzinfo=UTC)


class HandClock:
    """A clock that moves when it is told; the wall can be set without time passing."""

    def __init__(self) -> None:
        self.wall = START
        self.steady_s = 1000.0

    def now(self) -> datetime:
        return self.wall

    def ticks(self) -> float:
        return self.steady_s

    def wait(self, seconds: float) -> None:
        self.go(seconds)

    def go(self, seconds: float) -> None:
        self.wall += timedelta(seconds=seconds)
        self.steady_s += seconds


def alert(number: int = 1, level: Level = Level.PAGE, **changed: Any) -> Alert:
    """An alert like those that the policy makes."""
    fields: dict[str, Any] = {
        "id": f"{number:024x}",
        "at": START + timedelta(seconds=number),
        "kind": AlertKind.REDUNDANCY_REDUCED,
        "level": level,
        "condition": f"redundancy-reduced/{number}",
        "reminder": 0,
        "host": "store-1",
        "system": "zfs",
        "array": "vault",
        "array_id": "7301442119850362217",
        "rebuild": None,
        "window": "w1",
        "redundancy_left": 0,
        "redundancy_full": 1,
    }
    return Alert(**{**fields, **changed})


def message(of: Alert | None = None, **changed: Any) -> Message:
    """That alert made ready for people."""
    told = of or alert()
    fields: dict[str, Any] = {
        "title": f"{told.host} {told.array}: no redundancy left",
        "text": "One more drive lost loses data.\n.\nSecond line\n",
        "html": "<p>One more drive lost loses data.</p>",
        "data": {"type": "alert", "id": told.id, "redundancy_left": 0},
        "thread": "w1",
    }
    return Message(told, **{**fields, **changed})


@dataclass
class Answer:
    """What an HTTP receiver answers."""

    status: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""


@dataclass
class Request:
    """What an HTTP receiver got."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def event(self) -> dict[str, Any]:
        return cast("dict[str, Any]", json.loads(self.body))


@dataclass
class HttpReceiver:
    """A real HTTP server; ``answers`` are given in turn, the last one for ever."""

    url: str
    answers: list[Answer]
    requests: list[Request] = field(default_factory=list)


@contextmanager
def http_receiver(*answers: Answer, context: ssl.SSLContext | None = None) -> Iterator[HttpReceiver]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            receiver.requests.append(Request(self.path, {k.lower(): v for k, v in self.headers.items()}, body))
            answer = receiver.answers.pop(0) if len(receiver.answers) > 1 else receiver.answers[0]
            self.send_response(answer.status)
            for name, value in answer.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(answer.body)))
            self.end_headers()
            with suppress(OSError):
                self.wfile.write(answer.body)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    if context is not None:
        server.socket = context.wrap_socket(server.socket, server_side=True)
    scheme = "https" if context is not None else "http"
    receiver = HttpReceiver(f"{scheme}://127.0.0.1:{server.server_port}/hook", list(answers) or [Answer()])
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield receiver
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def raw_server(talk: Callable[[socket.socket], None]) -> Iterator[int]:
    """A server that does exactly this with each connection; yields its port."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        talks: list[threading.Thread] = []
        open_ones: list[socket.socket] = []

        def run(connection: socket.socket) -> None:
            with connection, suppress(OSError):
                talk(connection)

        def serve() -> None:
            with suppress(OSError):
                while True:
                    connection, _ = listening.accept()
                    open_ones.append(connection)
                    talks.append(threading.Thread(target=run, args=(connection,), daemon=True))
                    talks[-1].start()

        accepting = threading.Thread(target=serve, daemon=True)
        accepting.start()
        yield listening.getsockname()[1]
        with suppress(OSError):
            listening.shutdown(socket.SHUT_RDWR)
        accepting.join()
        for connection in open_ones:
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in talks:
            thread.join()


def free_port() -> int:
    """A port on which nobody listens."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])


@dataclass(frozen=True)
class Certificate:
    """A certificate for the loopback that vouches for itself."""

    certificate: Path
    key: Path

    def context(self) -> ssl.SSLContext:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(self.certificate, self.key)
        return context


def make_certificate(folder: Path, *names: str) -> Certificate:
    """Made by the openssl command; for 127.0.0.1 unless other names are given."""
    made = Certificate(folder / "certificate.pem", folder / "key.pem")
    subject = ",".join(names or ("DNS:localhost", "IP:127.0.0.1"))
    command = ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    command += ["-days", "2", "-subj", "/CN=example.org", "-keyout", str(made.key), "-out", str(made.certificate)]
    command += ["-addext", f"subjectAltName={subject}", "-addext", "keyUsage=critical,keyCertSign,digitalSignature"]
    subprocess.run(command, check=True, capture_output=True)
    return made


@dataclass
class Mailbox:
    """What a mail server got, and how it answers; an answer of None is its own 250."""

    port: int = 0
    mails: list[EmailMessage] = field(default_factory=list)
    raw: list[bytes] = field(default_factory=list)
    envelopes: list[tuple[str, tuple[str, ...]]] = field(default_factory=list)
    logins: list[tuple[bytes, bytes]] = field(default_factory=list)
    encrypted: list[bool] = field(default_factory=list)
    recipient_answers: dict[str, list[str]] = field(default_factory=dict)
    sender_answer: str | None = None
    data_answers: list[str] = field(default_factory=list)

    async def handle_MAIL(self, _server: Any, _session: Any, envelope: Any, address: str, _options: Any) -> str:  # noqa: N802
        if self.sender_answer is not None:
            return self.sender_answer
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(self, _server: Any, _session: Any, envelope: Any, address: str, _options: Any) -> str:  # noqa: N802
        answers = self.recipient_answers.get(address)
        if answers:
            return answers.pop(0)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802
        if self.data_answers:
            return self.data_answers.pop(0)
        self.raw.append(envelope.original_content)
        parsed = BytesParser(policy=SMTP.clone(raise_on_defect=True)).parsebytes(envelope.original_content)
        self.mails.append(parsed)
        self.envelopes.append((envelope.mail_from, tuple(envelope.rcpt_tos)))
        self.encrypted.append(server.transport.get_extra_info("sslcontext") is not None)
        return "250 OK"

    def authenticate(self, _server: Any, _session: Any, _envelope: Any, _mechanism: str, login: Any) -> AuthResult:
        self.logins.append((login.login, login.password))
        good = login.password == b"a good password"
        return AuthResult(success=good, handled=good)


@contextmanager
def mail_server(**settings: Any) -> Iterator[Mailbox]:
    """A real SMTP server; the settings are aiosmtpd's."""
    box = Mailbox(free_port())
    if settings.pop("with_login", False):
        settings |= {"authenticator": box.authenticate, "auth_required": True}
    controller = Controller(box, hostname="127.0.0.1", port=box.port, **settings)
    controller.start()
    try:
        yield box
    finally:
        controller.stop()
