"""Each alert as one POST: a CloudEvents 1.0 event in structured JSON, signed if a secret is set.

Sources: CloudEvents 1.0 (JSON format, HTTP binding for webhooks), Standard Webhooks, RFC 9110, RFC 6585.
"""

from __future__ import annotations

import json
import socket
import ssl
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from urllib.parse import quote, urlsplit

import requests
import requests.adapters
import requests.utils

from mendwatch import __version__
from mendwatch.delivery import credentials, signature
from mendwatch.delivery.bounded import Bounded
from mendwatch.delivery.retry_after import retry_after_s
from mendwatch.model.alert import Message
from mendwatch.model.channels import WebhookOptions
from mendwatch.model.clock import Clock
from mendwatch.model.errors import DeliveryError, Problem, SettingsError
from mendwatch.model.plugin import Sender

_CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
_AGAIN_LATER = {HTTPStatus.REQUEST_TIMEOUT, HTTPStatus.TOO_EARLY, HTTPStatus.TOO_MANY_REQUESTS}
_TELLS_WHEN = {HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE}
_LONGEST_CAUSE = 12


class WebhookChannel:
    """POSTs to a web address."""

    kind = "webhook"

    def open(self, name: str, options: Mapping[str, object], host: str, clock: Clock) -> Sender:
        """Read the secret and the certificates.

        Raises:
            SettingsError: one of them cannot be read or is of no use.
        """
        return _WebhookSender(name, WebhookOptions.model_validate(options), host, clock)


CHANNEL = WebhookChannel()


def event(message: Message, host: str) -> bytes:
    """The body: the alert's published fields in their envelope."""
    alert = message.alert
    envelope: dict[str, Any] = {
        "specversion": "1.0",
        "id": alert.id,
        "source": f"/hosts/{quote(host, safe='')}",
        "type": "mendwatch.alert",
        "time": alert.at.isoformat().replace("+00:00", "Z"),
        "datacontenttype": "application/json",
        "data": message.data,
    }
    if alert.array:  # the specification allows no empty subject
        envelope["subject"] = alert.array
    return json.dumps(envelope).encode()


class _WebhookSender:
    def __init__(self, name: str, options: WebhookOptions, host: str, clock: Clock) -> None:
        self._host = host
        self._clock = clock
        self._key = _key(name, options.secret_file)
        self._adapter = _Adapter(credentials.trust(options.ca_file, name, requests.utils.DEFAULT_CA_BUNDLE_PATH))
        # Made ready once: this reads what a host name beyond ASCII needs, and refuses what is no address.
        self._request = requests.Request("POST", options.url).prepare()
        parts = urlsplit(self._request.url or "")
        self._where = f"{parts.scheme}://{parts.hostname}" + (f":{parts.port}" if parts.port else "")
        self._timeout_s = options.timeout_s
        self._bounded = Bounded(options.timeout_s)

    def send(self, message: Message) -> str:
        body = event(message, self._host)
        try:
            return self._bounded.run(lambda: self._post(message.alert.id, body))
        except DeliveryError as error:
            # The address may hold a token: only its host is told.
            told = f"{self._where}: {error}"
            raise DeliveryError(told, again=error.again, retry_after_s=error.retry_after_s) from None

    def _post(self, alert_id: str, body: bytes) -> str:
        request = self._request.copy()
        request.headers["Content-Type"] = _CONTENT_TYPE
        request.headers["User-Agent"] = f"mendwatch/{__version__}"
        if self._key is not None:
            now_s = int(self._clock.now().timestamp())
            request.headers.update(signature.headers(self._key, alert_id, now_s, body))
        request.prepare_body(body, None)
        with requests.Session() as session:  # no connection is kept: alerts are rare, and a stale one would fail
            session.mount("https://", self._adapter)
            try:
                # The body of the answer is never read: the status says all, and no receiver can fill our memory.
                with session.send(
                    request, timeout=self._timeout_s, allow_redirects=False, stream=True, verify=True
                ) as response:
                    return self._judge(response)
            except requests.RequestException as error:
                raise DeliveryError(_why(error, self._timeout_s), again=True) from None

    def _judge(self, response: requests.Response) -> str:
        code = response.status_code
        said = f"{code} {_phrase(code)}".strip()
        if response.ok and code < HTTPStatus.MULTIPLE_CHOICES:
            return said
        if code < HTTPStatus.INTERNAL_SERVER_ERROR and code not in _AGAIN_LATER:
            kind = "a redirect, which is not followed" if code < HTTPStatus.BAD_REQUEST else "refused"
            message = f"{kind} ({said})"
            raise DeliveryError(message, again=False)
        wait_s = None
        if code in _TELLS_WHEN:
            wait_s = retry_after_s(response.headers.get("Retry-After"), self._clock.now())
        message = f"not taken now ({said})"
        raise DeliveryError(message, again=True, retry_after_s=wait_s)


class _Adapter(requests.adapters.HTTPAdapter):
    """Connections that trust what was read when the channel was opened, and read nothing more from the disk."""

    def __init__(self, context: ssl.SSLContext) -> None:
        self._context = context
        super().__init__()

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, **kwargs, ssl_context=self._context)

    def proxy_manager_for(self, proxy: str, **kwargs: Any) -> Any:
        return super().proxy_manager_for(proxy, **kwargs, ssl_context=self._context)

    def cert_verify(self, conn: Any, url: str, verify: Any, cert: Any) -> None:  # noqa: ARG002 - the library's own
        conn.cert_reqs = "CERT_REQUIRED"


def _key(name: str, secret_file: str | None) -> bytes | None:
    if secret_file is None:
        return None
    try:
        return signature.read_secret(credentials.read_secret(secret_file, name, "secret_file"))
    except ValueError as error:
        problem = Problem(f'secret_file of the channel "{name}"', "holds no signing secret", str(error))
        raise SettingsError(secret_file, (problem,)) from None


def _phrase(code: int) -> str:
    """Our own words for a status: the receiver's could say anything."""
    try:
        return HTTPStatus(code).phrase
    except ValueError:
        return ""


def _why(error: requests.RequestException, timeout_s: float) -> str:
    """What went wrong, without the address that the library's own text repeats."""
    if isinstance(error, requests.ConnectTimeout):
        return f"no connection within {timeout_s:g} s"
    if isinstance(error, requests.Timeout):
        return f"no answer within {timeout_s:g} s"
    causes = _causes(error)
    for cause in causes:
        if isinstance(cause, ssl.SSLCertVerificationError):
            return f"its certificate is not accepted: {cause.verify_message}"
        if isinstance(cause, ssl.SSLError):
            return f"no TLS connection: {cause.reason or 'the other side speaks something else'}"
        if isinstance(cause, socket.gaierror):
            return f"its name cannot be resolved: {cause.strerror}"
        if isinstance(cause, OSError) and cause.strerror and not isinstance(cause, requests.RequestException):
            return f"no connection: {cause.strerror}"
    if isinstance(error, requests.exceptions.ProxyError):
        return "the proxy does not let it through"
    return f"the connection ended without an answer ({type(causes[-1]).__name__})"


def _causes(error: BaseException) -> list[BaseException]:
    """The error and what lies beneath it; the libraries wrap by argument, by attribute and by chaining."""
    found: list[BaseException] = [error]
    for known in found:
        inner = [known.__cause__, known.__context__, getattr(known, "reason", None), *known.args]
        found += [cause for cause in inner if isinstance(cause, BaseException) and cause not in found]
        if len(found) > _LONGEST_CAUSE:
            break
    return found
