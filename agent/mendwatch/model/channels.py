"""The option tables of our own channels, declared once: the settings check them, the channels use them.

They stand here because neither of the two may import the other. A validator's message has two parts joined by ``; ``:
what is wrong, and what would be right.
"""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType
from typing import Annotated, Self, TypeAlias, TypeVar

from pydantic import (
    AfterValidator,
    AnyHttpUrl,
    BaseModel,
    ConfigDict,
    Field,
    StrictBool,
    StrictInt,
    StrictStr,
    TypeAdapter,
    ValidationError,
    model_validator,
)

from mendwatch.model.alert import Level
from mendwatch.model.durations import Duration, format_duration

T = TypeVar("T")

_URL = TypeAdapter(AnyHttpUrl)
_ADDRESS = re.compile(r"[!-?A-~]+@[A-Za-z0-9](?:[A-Za-z0-9.-]*[A-Za-z0-9])?", re.ASCII)
_ADDRESS_QUOTES = frozenset('()<>[]:;,\\"')  # these would need quoting in a header, and no real mailbox has them
_TIMEOUT_S = (1, 120)


def _file(path: str) -> str:
    if not path.startswith("/") or "\0" in path:
        message = f"{path!r} is not an absolute path; begin it with /"
        raise ValueError(message)
    return path


def _patience(seconds: float) -> float:
    least_s, most_s = _TIMEOUT_S
    if not least_s <= seconds <= most_s:
        message = (
            f"{format_duration(seconds)} is out of range; give {format_duration(least_s)} to {format_duration(most_s)}"
        )
        raise ValueError(message)
    return seconds


def _address(text: str) -> str:
    if _ADDRESS.fullmatch(text) is None or _ADDRESS_QUOTES & set(text):
        message = f"{text!r} is no plain mail address; write it as oncall@example.org"
        raise ValueError(message)
    return text


def _server(text: str) -> str:
    if not text or re.fullmatch(r"[A-Za-z0-9.:-]+", text, re.ASCII) is None or "://" in text:
        message = f"{text!r} is no host name; write it as mail.example.org, the port apart"
        raise ValueError(message)
    return text


def _credential(text: str) -> str:
    if not text or not text.isprintable() or not text.isascii():
        message = f"{text!r} cannot be a user name; use visible ASCII characters, which is what a mail login can carry"
        raise ValueError(message)
    return text


def _parsed(url: str) -> AnyHttpUrl:
    try:
        parsed = _URL.validate_python(url)
    except ValidationError as error:
        message = "is no web address; write it as https://hooks.example.org/storage"
        raise ValueError(message) from error
    if url != url.strip() or not url.isprintable():
        message = "holds blanks or invisible characters; write it as https://hooks.example.org/storage"
        raise ValueError(message)
    return parsed


def is_loopback(host: str) -> bool:
    """Whether this host of a URL is this very machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def _some(given: tuple[T, ...]) -> tuple[T, ...]:
    if not given:
        message = "is empty; give at least one"
        raise ValueError(message)
    return given


FilePath: TypeAlias = Annotated[StrictStr, AfterValidator(_file)]
Address: TypeAlias = Annotated[StrictStr, AfterValidator(_address)]
Patience: TypeAlias = Annotated[Duration, AfterValidator(_patience)]


class ChannelOptions(BaseModel):
    """What every channel of ours has besides its name and kind."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    levels: Annotated[tuple[Level, ...], AfterValidator(_some)] = Field(
        default=(Level.PAGE, Level.NOTICE),
        description="What it takes: page (wake a person), notice (can wait).",
        examples=[["page", "notice"]],
    )


class WebhookOptions(ChannelOptions):
    """A web address that takes each alert as a CloudEvents 1.0 JSON body."""

    url: Annotated[StrictStr, AfterValidator(lambda url: _parsed(url) and url)] = Field(
        description="Where to POST. https, or plain http to this very machine.",
        examples=["https://hooks.example.org/storage"],
    )
    secret_file: FilePath | None = Field(
        default=None,
        description="A file with the secret (whsec_...) by which each request is signed, so that the receiver knows\n"
        "that it is ours (Standard Webhooks). Default: not signed.",
        examples=["/etc/mendwatch/ops.secret"],
    )
    ca_file: FilePath | None = Field(
        default=None,
        description="Certificates (PEM) of the authority that vouches for the receiver. Default: the public ones.",
        examples=["/etc/mendwatch/ca.pem"],
    )
    allow_plain_http: StrictBool = Field(
        default=False,
        description="true: plain http to other machines is allowed; everybody on the way can read and change it.",
    )
    timeout_s: Patience = Field(
        default=20.0,
        alias="timeout",
        description="How long one request may take in all (1s to 2m).",
        examples=["20s"],
    )

    @model_validator(mode="after")
    def _plain_only_at_home(self) -> Self:
        url = _parsed(self.url)
        if url.scheme == "https" or is_loopback(url.host or ""):
            return self
        if url.username or url.password:
            message = "url: credentials in a plain http address can be read on the way; use https"
            raise ValueError(message)
        if not self.allow_plain_http:
            message = "url: plain http to another machine; use https, or set allow_plain_http = true"
            raise ValueError(message)
        return self


class MailSecurity(StrEnum):
    """How the way to the mail server is protected; never downgraded."""

    STARTTLS = "starttls"
    TLS = "tls"
    NONE = "none"


_PORTS = {MailSecurity.STARTTLS: 587, MailSecurity.TLS: 465, MailSecurity.NONE: 25}


class EmailOptions(ChannelOptions):
    """A mail server that takes each alert as a message with a text and an HTML part."""

    server: Annotated[StrictStr, AfterValidator(_server)] = Field(
        description="The mail server that takes our mail.", examples=["mail.example.org"]
    )
    port: Annotated[StrictInt, Field(ge=1, le=65535)] | None = Field(
        default=None,
        description="Default: 587 with starttls, 465 with tls, 25 with none.",
        examples=[587],
    )
    security: MailSecurity = Field(
        default=MailSecurity.STARTTLS,
        description="starttls, tls, or none (then without user and password). A server that cannot do what is asked\n"
        "is an error; nothing is ever sent with less.",
        examples=["starttls"],
    )
    user: Annotated[StrictStr, AfterValidator(_credential)] | None = Field(
        default=None, description="The name to log in with. Default: no login.", examples=["store-1"]
    )
    password_file: FilePath | None = Field(
        default=None,
        description="A file with the password and nothing else.",
        examples=["/etc/mendwatch/mail.password"],
    )
    ca_file: FilePath | None = Field(
        default=None,
        description="Certificates (PEM) of the authority that vouches for the mail server. Default: the system's.",
        examples=["/etc/mendwatch/ca.pem"],
    )
    sender: Address = Field(alias="from", description="The sender's address.", examples=["store-1@example.org"])
    to: Annotated[tuple[Address, ...], AfterValidator(_some)] = Field(
        description="Who gets the mail.", examples=[["oncall@example.org"]]
    )
    timeout_s: Patience = Field(
        default=20.0,
        alias="timeout",
        description="How long to wait for each answer of the server (1s to 2m).",
        examples=["20s"],
    )

    @model_validator(mode="after")
    def _credentials_need_tls(self) -> Self:
        if (self.user is None) != (self.password_file is None):
            message = "user and password_file belong together; give both or neither"
            raise ValueError(message)
        if self.user is not None and self.security is MailSecurity.NONE:
            message = "user and password_file without TLS; use security starttls or tls, or no login"
            raise ValueError(message)
        return self

    @property
    def port_in_use(self) -> int:
        """The port, with the default of this kind of security."""
        return _PORTS[self.security] if self.port is None else self.port


class LogOptions(ChannelOptions):
    """The agent's own log."""


OPTIONS: Mapping[str, type[ChannelOptions]] = MappingProxyType(
    {"webhook": WebhookOptions, "email": EmailOptions, "log": LogOptions}
)
