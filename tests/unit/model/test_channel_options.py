"""The channels' tables: what is refused, and that no credential can go out unprotected."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from mendwatch.model.channels import OPTIONS, EmailOptions, MailSecurity, WebhookOptions

MAIL: dict[str, Any] = {"server": "mail.example.org", "from": "store-1@example.org", "to": ["oncall@example.org"]}


@pytest.mark.parametrize(
    "url",
    ["https://hooks.example.org/storage", "http://localhost:8080/x", "http://127.0.0.1/x", "http://[::1]:9/x"],
)
def test_https_and_this_very_machine_are_taken(url: str) -> None:
    assert WebhookOptions(url=url).url == url


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"url": "http://hooks.example.org/x"}, "use https, or set allow_plain_http"),
        ({"url": "http://localhost.example.org/x"}, "use https, or set allow_plain_http"),
        ({"url": "http://u:p@hooks.example.org/x", "allow_plain_http": True}, "credentials in a plain http"),
        ({"url": "hooks.example.org"}, "is no web address"),
        ({"url": "ftp://hooks.example.org/x"}, "is no web address"),
        ({"url": "https://"}, "is no web address"),
        ({"url": " https://hooks.example.org/x"}, "invisible characters|is no web address"),
        ({"url": "https://hooks.example.org/x", "secret_file": "ops.secret"}, "begin it with /"),
        ({"url": "https://hooks.example.org/x", "timeout": "10m"}, "give 1s to 2m"),
        ({"url": "https://hooks.example.org/x", "levels": []}, "give at least one"),
        ({"url": "https://hooks.example.org/x", "colour": "red"}, "Extra inputs"),
    ],
)
def test_a_wrong_webhook_is_refused(table: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        WebhookOptions.model_validate(table)


def test_plain_http_elsewhere_is_the_owners_explicit_wish() -> None:
    assert WebhookOptions(url="http://hooks.example.org/x", allow_plain_http=True).allow_plain_http


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"security": "none", "user": "u", "password_file": "/p"}, "without TLS"),
        ({"user": "u"}, "belong together"),
        ({"password_file": "/p"}, "belong together"),
        ({"user": "üser", "password_file": "/p"}, "visible ASCII"),
        ({"to": []}, "give at least one"),
        ({"to": ["oncall@example.org\nBcc: all@example.org"]}, "no plain mail address"),
        ({"from": "Store One <store-1@example.org>"}, "no plain mail address"),
        ({"from": "a,b@example.org"}, "no plain mail address"),
        ({"server": "https://mail.example.org"}, "no host name"),
        ({"server": "mail.example.org\r\n"}, "no host name"),
        ({"port": 0}, "greater than or equal to 1"),
        ({"security": "ssl"}, "'starttls', 'tls' or 'none'"),
    ],
)
def test_a_wrong_mail_channel_is_refused(changed: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        EmailOptions.model_validate({**MAIL, **changed})


@pytest.mark.parametrize(("security", "port"), [("starttls", 587), ("tls", 465), ("none", 25)])
def test_each_security_has_its_usual_port(security: str, port: int) -> None:
    """RFC 8314: 465 for implicit TLS, 587 for submission; RFC 5321: 25."""
    options = EmailOptions.model_validate({**MAIL, "security": security})
    assert (options.security, options.port_in_use) == (MailSecurity(security), port)


@pytest.mark.parametrize("kind", sorted(OPTIONS))
def test_every_key_says_what_it_means(kind: str) -> None:
    assert all(field.description for field in OPTIONS[kind].model_fields.values())
