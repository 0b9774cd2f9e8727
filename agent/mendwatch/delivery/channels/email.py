"""Each alert as one mail with a text and an HTML part.

Sources: RFC 5321 and 5322 (envelope and message), RFC 3834 section 5 (Auto-Submitted), RFC 8314 (TLS).
"""

from __future__ import annotations

import contextlib
import re
import smtplib
import socket
import ssl
from collections.abc import Mapping
from email.message import EmailMessage
from email.policy import SMTP
from hashlib import sha256

from mendwatch.delivery import credentials
from mendwatch.delivery.bounded import Bounded
from mendwatch.model.alert import Message
from mendwatch.model.channels import EmailOptions, MailSecurity
from mendwatch.model.clock import Clock
from mendwatch.model.errors import DeliveryError, Problem, SettingsError
from mendwatch.model.plugin import Sender

_PERMANENT = 500
_LONGEST_TITLE = 200
_ANSWERS = 4  # the whole conversation may take this many times what one answer may

"".encode("idna")  # resolving a name needs this codec: loaded now, not when the disk may hang


class EmailChannel:
    """Hands mails to a mail server."""

    kind = "email"

    def open(self, name: str, options: Mapping[str, object], host: str, clock: Clock) -> Sender:  # noqa: ARG002 - as declared
        """Read the password and the certificates.

        Raises:
            SettingsError: one of them cannot be read.
        """
        return _EmailSender(name, EmailOptions.model_validate(options), host)


CHANNEL = EmailChannel()


def compose(message: Message, sender: str, to: tuple[str, ...]) -> EmailMessage:
    """The mail; the same alert always gives the same Message-ID."""
    domain = sender.rpartition("@")[2]
    mail = EmailMessage(policy=SMTP)
    mail["Subject"] = _one_line(message.title)
    mail["From"] = sender
    mail["To"] = ", ".join(to)
    mail["Date"] = message.alert.at
    mail["Message-ID"] = _id(message.alert.id, domain)
    if message.thread:
        # Nobody sends this one; mail programs gather under it what belongs together, whichever arrives first.
        story = _id(f"story-{sha256(message.thread.encode('utf-8', 'replace')).hexdigest()[:24]}", domain)
        mail["In-Reply-To"] = story
        mail["References"] = story
    mail["Auto-Submitted"] = "auto-generated"
    # Quoted-printable keeps every line short, whatever is in it.
    mail.set_content(_sendable(message.text), cte="quoted-printable")
    if message.html:
        mail.add_alternative(_sendable(message.html), subtype="html", cte="quoted-printable")
    return mail


class _EmailSender:
    def __init__(self, name: str, options: EmailOptions, host: str) -> None:
        self._options = options
        self._password = None
        if options.password_file is not None:
            self._password = credentials.read_secret(options.password_file, name, "password_file")
            if not self._password.isascii():
                problem = Problem(
                    f'password_file of the channel "{name}"',
                    "holds characters beyond ASCII, which a mail login cannot carry",
                    "give the mail account another password",
                )
                raise SettingsError(options.password_file, (problem,))
        self._context = credentials.trust(options.ca_file, name)
        # Asking the resolver for our own name could hang; a name that is none is replaced by an address literal.
        self._called = host if re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9.-]*", host) else "[127.0.0.1]"
        self._where = f"{options.server}:{options.port_in_use}"
        self._bounded = Bounded(options.timeout_s * _ANSWERS)
        self._deferred: dict[str, tuple[str, ...]] = {}  # by alert: who has not got it while the others have

    def send(self, message: Message) -> str:
        try:
            return self._bounded.run(lambda: self._converse(message))
        except DeliveryError as error:
            told = f"{self._where}: {error}"
            raise DeliveryError(told, again=error.again) from None

    def _converse(self, message: Message) -> str:
        try:
            server = self._connected()
            try:
                taken = self._hand_over(server, message)
                with contextlib.suppress(smtplib.SMTPException, OSError):
                    server.quit()  # however the farewell goes, the mail is in the server's hands
            finally:
                server.close()
        except smtplib.SMTPRecipientsRefused as error:
            raise _refused(error, tuple(error.recipients.values())) from None
        except smtplib.SMTPResponseException as error:
            raise _refused(error, ((error.smtp_code, error.smtp_error),)) from None
        except smtplib.SMTPServerDisconnected as error:
            gone = self._silence() if "timed out" in str(error) else "the server ended the connection"
            raise DeliveryError(gone, again=True) from None
        except smtplib.SMTPException as error:  # it cannot do what was asked of it: log in, for example
            raise DeliveryError(str(error), again=False) from None
        except ssl.SSLCertVerificationError as error:
            refused = f"its certificate is not accepted: {error.verify_message}"
            raise DeliveryError(refused, again=True) from None
        except ssl.SSLError as error:
            failed = f"no TLS connection: {error.reason or 'the other side speaks something else'}"
            raise DeliveryError(failed, again=True) from None
        except TimeoutError:
            raise DeliveryError(self._silence(), again=True) from None
        except socket.gaierror as error:
            unknown = f"its name cannot be resolved: {error.strerror}"
            raise DeliveryError(unknown, again=True) from None
        except OSError as error:
            unreachable = f"no connection: {error.strerror or error}"
            raise DeliveryError(unreachable, again=True) from None
        return taken

    def _silence(self) -> str:
        return f"no answer within {self._options.timeout_s:g} s"

    def _connected(self) -> smtplib.SMTP:
        """A connection with the asked-for protection, logged in if there is a login."""
        options = self._options
        if options.security is MailSecurity.TLS:
            server: smtplib.SMTP = smtplib.SMTP_SSL(
                options.server,
                options.port_in_use,
                local_hostname=self._called,
                timeout=options.timeout_s,
                context=self._context,
            )
        else:
            server = smtplib.SMTP(
                options.server, options.port_in_use, local_hostname=self._called, timeout=options.timeout_s
            )
        try:
            if options.security is MailSecurity.STARTTLS:
                self._start_tls(server)
            if options.user is not None and self._password is not None:
                server.login(options.user, self._password)
        except BaseException:
            server.close()
            raise
        return server

    def _start_tls(self, server: smtplib.SMTP) -> None:
        server.ehlo_or_helo_if_needed()
        if not server.has_extn("starttls"):
            message = "the server offers no STARTTLS, and nothing is sent without it; see the key security"
            raise DeliveryError(message, again=False)
        server.starttls(context=self._context)

    def _hand_over(self, server: smtplib.SMTP, message: Message) -> str:
        alert_id = message.alert.id
        to = self._deferred.get(alert_id, self._options.to)
        mail = compose(message, self._options.sender, self._options.to)
        refused = server.sendmail(self._options.sender, to, mail.as_bytes())
        taken = ", ".join(address for address in to if address not in refused)
        later = tuple(address for address, (code, _) in refused.items() if code < _PERMANENT)
        if later:
            self._deferred[alert_id] = later
            deferred = f"taken for {taken}, but not yet for {_answers(refused)}"
            raise DeliveryError(deferred, again=True)
        self._deferred.pop(alert_id, None)
        return f"taken for {taken}" + (f"; refused for {_answers(refused)}" if refused else "")


def _refused(error: smtplib.SMTPException, answers: tuple[tuple[int, bytes | str], ...]) -> DeliveryError:
    """An answer below 500 may be another one later (RFC 5321, section 4.2.1)."""
    code, said = next((answer for answer in answers if answer[0] < _PERMANENT), answers[0])
    what = next((words for kind, words in _STEPS.items() if isinstance(error, kind)), "the server refused")
    return DeliveryError(f"{what} ({_answer(code, said)})", again=code < _PERMANENT)


_STEPS: dict[type[smtplib.SMTPException], str] = {
    smtplib.SMTPAuthenticationError: "the login was refused",
    smtplib.SMTPSenderRefused: "the sender was refused",
    smtplib.SMTPRecipientsRefused: "every recipient was refused",
    smtplib.SMTPDataError: "the message was refused",
}


def _answers(refused: Mapping[str, tuple[int, bytes]]) -> str:
    return ", ".join(f"{address} ({_answer(*answer)})" for address, answer in refused.items())


def _answer(code: int, said: bytes | str) -> str:
    text = said if isinstance(said, str) else said.decode("ascii", "replace")
    return f"{code} {_one_line(text)[:_LONGEST_TITLE]}".strip()


def _id(local: str, domain: str) -> str:
    return f"<{re.sub(r'[^A-Za-z0-9.-]', '-', local)}@{domain}>"


def _one_line(text: str) -> str:
    """Text for a header: no line break gets through, nor anything that cannot be seen."""
    seen = "".join(character if character.isprintable() else " " for character in _sendable(text))
    return " ".join(seen.split())[:_LONGEST_TITLE]


def _sendable(text: str) -> str:
    return text.encode("utf-8", "replace").decode()
