"""The mail itself, read back by the standard library's parser under its strict policy (RFC 5322, RFC 3834)."""

from __future__ import annotations

from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import strict

from hypothesis import given
from hypothesis import strategies as st

from mendwatch.delivery.channels.email import compose
from support.receivers import START, alert, message

FROM = "store-1@example.org"
TO = ("oncall@example.org", "boss@example.org")
HOSTILE = "x\r\nBcc: all@example.org\r\n\r\nBody\x1b[31m\0\u202e<b>&\"'" + "\ud800" + "ü" * 50


def parsed(mail: EmailMessage) -> EmailMessage:
    raw = mail.as_bytes()
    assert raw.replace(b"\r\n", b"").count(b"\n") == 0, "a bare line feed"
    assert raw.replace(b"\r\n", b"").count(b"\r") == 0, "a bare carriage return"
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998
    return BytesParser(policy=strict).parsebytes(raw)


def part(mail: EmailMessage, kind: str) -> str:
    body = mail.get_body((kind,))
    assert body is not None
    return str(body.get_content()).replace("\r\n", "\n")


def test_a_mail_has_what_the_standards_ask_for() -> None:
    mail = parsed(compose(message(), FROM, TO))
    for header in ("Date", "From", "To", "Subject", "Message-ID", "References", "In-Reply-To", "MIME-Version"):
        assert len(mail.get_all(header, [])) == 1, header
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Date"].datetime == alert().at.replace(microsecond=0)
    assert mail["Subject"] == "store-1 vault: no redundancy left"
    assert mail["To"] == ", ".join(TO)
    assert "Bcc" not in mail
    assert part(mail, "plain") == message().text
    assert part(mail, "html") == message().html + "\n"


def test_the_same_alert_is_the_same_mail_and_a_story_is_one_conversation() -> None:
    first, again = compose(message(), FROM, TO), compose(message(), FROM, TO)
    other = compose(message(alert(2)), FROM, TO)
    apart = compose(message(alert(3), thread="w2"), FROM, TO)
    assert first["Message-ID"] == again["Message-ID"] != other["Message-ID"]
    assert first["References"] == other["References"] == other["In-Reply-To"] != apart["References"]
    assert first["Message-ID"].endswith("@example.org>")


def test_an_alert_without_a_story_stands_alone() -> None:
    mail = parsed(compose(message(thread=""), FROM, TO))
    assert "References" not in mail
    assert "In-Reply-To" not in mail


def test_a_mail_without_html_is_plain() -> None:
    assert parsed(compose(message(html=""), FROM, TO)).get_content_type() == "text/plain"


def test_no_name_reaches_the_headers_as_anything_but_text() -> None:
    told = alert(4, id="a\r\nb.c@d", array=HOSTILE)
    mail = parsed(compose(message(told, title=HOSTILE, text=HOSTILE, html=HOSTILE, thread=HOSTILE), FROM, TO))
    assert "Bcc" not in mail
    assert mail["To"] == ", ".join(TO)
    assert mail["Subject"].startswith("x Bcc: all@example.org Body [31m")
    assert mail["Message-ID"] == "<a--b.c-d@example.org>"


@given(title=st.text(), text=st.text(), html=st.text(), thread=st.text())
def test_any_text_makes_a_mail_that_parses(title: str, text: str, html: str, thread: str) -> None:
    mail = parsed(compose(message(title=title, text=text, html=html, thread=thread), FROM, TO))
    assert mail["From"] == FROM
    assert set(mail.keys()) <= {
        "Subject", "From", "To", "Date", "Message-ID", "In-Reply-To", "References", "Auto-Submitted",
        "MIME-Version", "Content-Type", "Content-Transfer-Encoding",
    }  # fmt: skip


def test_the_date_is_when_the_alert_was_raised() -> None:
    """A page that waited for three days says of which hour it speaks."""
    assert parsed(compose(message(alert(0)), FROM, TO))["Date"].datetime == START.replace(microsecond=0)
