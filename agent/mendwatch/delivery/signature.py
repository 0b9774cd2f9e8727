"""Signing a request body, so that its receiver knows who sent it and when (Standard Webhooks, symmetric ``v1``)."""

from __future__ import annotations

import base64
import binascii
import hmac

_PREFIX = "whsec_"
_LEAST_BYTES, _MOST_BYTES = 24, 64


def read_secret(text: str) -> bytes:
    """The key in its written form, ``whsec_`` and base64.

    Raises:
        ValueError: it is no such key; the text says what one looks like and does not repeat it.
    """
    form = f"it must be {_PREFIX} followed by the base64 of {_LEAST_BYTES} to {_MOST_BYTES} random bytes"
    written = text.strip()
    if not written.startswith(_PREFIX):
        raise ValueError(form)
    try:
        key = base64.b64decode(written.removeprefix(_PREFIX), validate=True)
    except binascii.Error as error:
        raise ValueError(form) from error
    if not _LEAST_BYTES <= len(key) <= _MOST_BYTES:
        raise ValueError(form)
    return key


def headers(key: bytes, message_id: str, at_unix_s: int, body: bytes) -> dict[str, str]:
    """The three headers of one attempt; the id stays the same over all of them."""
    signed = f"{message_id}.{at_unix_s}.".encode() + body
    digest = base64.b64encode(hmac.digest(key, signed, "sha256")).decode()
    return {"webhook-id": message_id, "webhook-timestamp": str(at_unix_s), "webhook-signature": f"v1,{digest}"}
