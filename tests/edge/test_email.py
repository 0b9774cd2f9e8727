"""The mail channel against real SMTP servers on the loopback, good and bad ones."""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from mendwatch.delivery.channels.email import CHANNEL
from mendwatch.model.errors import DeliveryError, SettingsError
from mendwatch.model.plugin import Sender
from support.receivers import (
    Certificate,
    HandClock,
    Mailbox,
    alert,
    free_port,
    mail_server,
    make_certificate,
    message,
    raw_server,
)

FROM = "store-1@example.org"
ONCALL, BOSS = "oncall@example.org", "boss@example.org"


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    return make_certificate(tmp_path_factory.mktemp("certificate"))


@pytest.fixture
def password_file(tmp_path: Path) -> Path:
    path = tmp_path / "password"
    path.write_text("a good password\n")
    return path


@pytest.fixture
def plain() -> Iterator[Mailbox]:
    with mail_server() as box:
        yield box


def sender(port: int, *, host: str = "store-1", **options: Any) -> Sender:
    table = {"server": "127.0.0.1", "port": port, "security": "none", "from": FROM, "to": [ONCALL], "timeout": "1s"}
    return CHANNEL.open("mail", {**table, **options}, host, HandClock())


def failure(port: int, **options: Any) -> DeliveryError:
    with pytest.raises(DeliveryError) as refusal:
        sender(port, **options).send(message())
    return refusal.value


def test_a_mail_arrives_as_it_was_written(plain: Mailbox) -> None:
    assert sender(plain.port).send(message()) == f"taken for {ONCALL}"
    assert plain.encrypted == [False], "so that the tests below mean something"
    (mail,) = plain.mails
    assert plain.envelopes == [(FROM, (ONCALL,))]
    assert mail["Subject"] == message().title
    text = mail.get_body(("plain",))
    assert text is not None
    assert text.get_content().replace("\r\n", "\n") == message().text, "the lone dot arrives too"
    assert b"\n" not in plain.raw[0].replace(b"\r\n", b"")


def test_a_retry_is_the_same_mail(plain: Mailbox) -> None:
    ours = sender(plain.port)
    ours.send(message())
    ours.send(message())
    assert plain.mails[0]["Message-ID"] == plain.mails[1]["Message-ID"]
    assert plain.mails[0]["Date"] == plain.mails[1]["Date"]


def test_several_recipients_get_one_mail(plain: Mailbox) -> None:
    assert sender(plain.port, to=[ONCALL, BOSS]).send(message()) == f"taken for {ONCALL}, {BOSS}"
    assert plain.envelopes == [(FROM, (ONCALL, BOSS))]


def test_one_recipient_who_is_refused_does_not_keep_it_from_the_others(plain: Mailbox) -> None:
    plain.recipient_answers[BOSS] = ["550 no such user"]
    told = sender(plain.port, to=[ONCALL, BOSS]).send(message())
    assert told == f"taken for {ONCALL}; refused for {BOSS} (550 no such user)"
    assert plain.envelopes == [(FROM, (ONCALL,))]


def test_a_recipient_who_is_put_off_gets_it_later_and_the_others_not_again(plain: Mailbox) -> None:
    """Greylisting answers 451 to the first attempt."""
    plain.recipient_answers[BOSS] = ["451 come again", "451 come again"]
    ours = sender(plain.port, to=[ONCALL, BOSS])
    with pytest.raises(DeliveryError, match=f"taken for {ONCALL}, but not yet for {BOSS}") as put_off:
        ours.send(message())
    assert put_off.value.again
    with pytest.raises(DeliveryError, match="every recipient was refused \\(451 come again\\)"):
        ours.send(message())
    ours.send(message(alert(2)))
    ours.send(message())
    assert [to for _, to in plain.envelopes] == [(ONCALL,), (ONCALL, BOSS), (BOSS,)]


@pytest.mark.parametrize(("answer", "again"), [("451 later", True), ("550 no such user", False)])
def test_every_recipient_refused(plain: Mailbox, answer: str, again: bool) -> None:
    plain.recipient_answers[ONCALL] = [answer]
    error = failure(plain.port)
    assert error.again is again
    assert f"127.0.0.1:{plain.port}: every recipient was refused ({answer})" == str(error)


@pytest.mark.parametrize(("answer", "again"), [("451 later", True), ("553 not you", False)])
def test_the_sender_refused(plain: Mailbox, answer: str, again: bool) -> None:
    plain.sender_answer = answer
    error = failure(plain.port)
    assert (error.again, "the sender was refused" in str(error)) == (again, True)


@pytest.mark.parametrize(("answer", "again"), [("452 disk full", True), ("554 no", False)])
def test_the_message_refused(plain: Mailbox, answer: str, again: bool) -> None:
    plain.data_answers = [answer]
    error = failure(plain.port)
    assert (error.again, f"the message was refused ({answer})" in str(error)) == (again, True)


def test_an_answer_with_escapes_is_told_without_them(plain: Mailbox) -> None:
    plain.data_answers = ["554 no\x1b[31m way"]
    assert str(failure(plain.port)).isprintable()


# Protection of the way.


def test_starttls(certificate: Certificate) -> None:
    with mail_server(tls_context=certificate.context(), require_starttls=True) as box:
        sender(box.port, security="starttls", ca_file=str(certificate.certificate)).send(message())
    assert box.encrypted == [True]


def test_implicit_tls(certificate: Certificate) -> None:
    with mail_server(ssl_context=certificate.context()) as box:
        sender(box.port, security="tls", ca_file=str(certificate.certificate)).send(message())
    assert box.encrypted == [True]


def test_a_server_without_starttls_gets_nothing(plain: Mailbox, password_file: Path) -> None:
    error = failure(plain.port, security="starttls", user="store-1", password_file=str(password_file))
    assert "offers no STARTTLS" in str(error)
    assert f"127.0.0.1:{plain.port}" in str(error)
    assert plain.mails == []
    assert plain.logins == []


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_certificate_that_nobody_vouches_for(certificate: Certificate, security: str) -> None:
    how = {"tls": "ssl_context", "starttls": "tls_context"}[security]
    with mail_server(**{how: certificate.context()}) as box:
        error = failure(box.port, security=security)
    assert error.again
    assert "its certificate is not accepted: self-signed certificate" in str(error)
    assert box.mails == []


def test_a_certificate_for_another_name(tmp_path: Path) -> None:
    other = make_certificate(tmp_path, "DNS:mail.example.org")
    with mail_server(ssl_context=other.context()) as box:
        error = failure(box.port, security="tls", ca_file=str(other.certificate))
    assert "its certificate is not accepted" in str(error)


def test_a_plain_server_where_tls_was_asked_for(plain: Mailbox) -> None:
    error = failure(plain.port, security="tls")
    assert "no TLS connection" in str(error)
    assert plain.mails == []


# Logging in.


def test_a_login_goes_out_only_under_tls(certificate: Certificate, password_file: Path) -> None:
    login = {"user": "store-1", "password_file": str(password_file), "ca_file": str(certificate.certificate)}
    with mail_server(tls_context=certificate.context(), with_login=True) as box:
        ours = sender(box.port, security="starttls", **login)
        password_file.unlink()
        ours.send(message())
    assert box.logins == [(b"store-1", b"a good password")]
    assert box.encrypted == [True]


def test_a_wrong_password_is_told_and_not_shown(certificate: Certificate, password_file: Path) -> None:
    password_file.write_text("a wrong password\n")
    login = {"user": "store-1", "password_file": str(password_file), "ca_file": str(certificate.certificate)}
    with mail_server(tls_context=certificate.context(), with_login=True) as box:
        error = failure(box.port, security="starttls", **login)
    assert "the login was refused (535" in str(error)
    assert not error.again
    assert "wrong password" not in f"{error!r} {error.__cause__!r}"


def test_a_server_that_knows_no_login(certificate: Certificate, password_file: Path) -> None:
    login = {"user": "store-1", "password_file": str(password_file), "ca_file": str(certificate.certificate)}
    with mail_server(tls_context=certificate.context(), auth_exclude_mechanism=["LOGIN", "PLAIN"]) as box:
        error = failure(box.port, security="starttls", **login)
    assert "No suitable authentication method" in str(error)
    assert not error.again


@pytest.mark.parametrize("content", [None, "", "\n", "pässword\n"])
def test_a_password_that_is_none_is_refused_when_it_is_opened(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "password"
    if content is not None:
        path.write_text(content)
    with pytest.raises(SettingsError, match='password_file of the channel "mail"') as refusal:
        sender(25, security="tls", user="store-1", password_file=str(path))
    assert "pässword" not in str(refusal.value)


# Servers that misbehave.


def talks(*answers: bytes, then: Callable[[socket.socket], None] = lambda _connection: None) -> Callable[..., None]:
    """A server that says its lines one by one, each but the first after something was said to it."""

    def talk(connection: socket.socket) -> None:
        for number, answer in enumerate(answers):
            if number:
                connection.recv(65536)
            connection.sendall(answer)
        then(connection)

    return talk


def silent(connection: socket.socket) -> None:
    while connection.recv(65536):
        pass


def dripping(connection: socket.socket) -> None:
    while True:
        connection.sendall(b"2")
        time.sleep(0.1)


HELLO = (b"220 hello\r\n", b"250 mail.example.org\r\n")
UP_TO_DATA = (*HELLO, b"250 ok\r\n", b"250 ok\r\n", b"354 go on\r\n")


@pytest.mark.parametrize(
    ("talk", "told"),
    [
        (talks(), "ended the connection"),
        (talks(then=silent), "no answer within 1 s"),
        (talks(then=dripping), "no end within 4 s"),
        (talks(b"554 go away\r\n"), "554 go away"),
        (talks(b"421 too busy\r\n"), "421 too busy"),
        (talks(*HELLO), "ended the connection"),
        (talks(*UP_TO_DATA), "ended the connection"),
        (talks(*UP_TO_DATA, then=silent), "no answer within 1 s"),
        (talks(b"HTTP/1.1 400 Bad Request\r\n\r\n"), "the server refused|ended the connection"),
    ],
    ids=[
        "gone",
        "silent",
        "dripping",
        "away",
        "busy",
        "gone-after-hello",
        "gone-after-data",
        "silent-after-data",
        "no-mail-server",
    ],
)
def test_a_server_that_misbehaves(talk: Callable[[socket.socket], None], told: str) -> None:
    started = time.monotonic()
    with raw_server(talk) as port, pytest.raises(DeliveryError, match=told) as refusal:
        sender(port).send(message())
    assert refusal.value.again is ("554" not in told)
    assert time.monotonic() - started < 6


@pytest.mark.parametrize("farewell", [b"", b"500 what?\r\n"])
def test_a_mail_that_was_taken_is_taken_however_the_farewell_goes(farewell: bytes) -> None:
    """The server's 250 to the message hands the responsibility over (RFC 5321, section 6.1)."""

    def message_then(connection: socket.socket) -> None:
        data = b""
        while not data.endswith(b"\r\n.\r\n"):
            data += connection.recv(65536)
        connection.sendall(b"250 taken\r\n")
        if farewell:
            connection.recv(65536)
            connection.sendall(farewell)

    with raw_server(talks(*UP_TO_DATA, then=message_then)) as port:
        assert sender(port).send(message()) == f"taken for {ONCALL}"


def test_nobody_there_and_a_name_that_nobody_knows() -> None:
    assert "no connection: Connection refused" in str(failure(free_port()))
    unknown = failure(25, server="mail.invalid")  # RFC 6761: never resolves
    assert unknown.again
    assert "cannot be resolved" in str(unknown) or "no end" in str(unknown)


@pytest.mark.parametrize(("host", "called"), [("store-1", "store-1"), ("büro 2\r\nQUIT", "[127.0.0.1]")])
def test_it_introduces_itself_without_asking_the_resolver(host: str, called: str) -> None:
    heard: list[bytes] = []

    def talk(connection: socket.socket) -> None:
        connection.sendall(b"220 hello\r\n")
        heard.append(connection.recv(65536))

    with raw_server(talk) as port, pytest.raises(DeliveryError):
        sender(port, host=host).send(message())
    assert re.fullmatch(rb"ehlo (.*)\r\n", heard[0])[1] == called.encode()  # type: ignore[index]
