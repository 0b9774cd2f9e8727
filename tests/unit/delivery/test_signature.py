"""Signing: the vector that the Standard Webhooks project publishes with its libraries' tests."""

from __future__ import annotations

import base64
import hmac

import pytest

from mendwatch.delivery import signature

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
ID = "msg_p5jXN8AQM9LWM0D4loKWxJek"
AT = 1614265330
BODY = b'{"test": 2432232314}'


def test_the_published_vector() -> None:
    assert signature.headers(signature.read_secret(SECRET), ID, AT, BODY) == {
        "webhook-id": ID,
        "webhook-timestamp": "1614265330",
        "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    }


@pytest.mark.parametrize(
    ("message_id", "at", "body"), [(ID + "x", AT, BODY), (ID, AT + 1, BODY), (ID, AT, BODY + b" ")]
)
def test_any_changed_part_changes_it(message_id: str, at: int, body: bytes) -> None:
    key = signature.read_secret(SECRET)
    signed = signature.headers(key, message_id, at, body)["webhook-signature"]
    assert not hmac.compare_digest(signed, signature.headers(key, ID, AT, BODY)["webhook-signature"])


@pytest.mark.parametrize(
    "text",
    ["", SECRET.removeprefix("whsec_"), "whsec_", "whsec_????", "whsec_" + base64.b64encode(bytes(23)).decode(),
     "whsec_" + base64.b64encode(bytes(65)).decode()],
)  # fmt: skip
def test_what_is_no_key_is_refused_without_repeating_it(text: str) -> None:
    with pytest.raises(ValueError, match="base64 of 24 to 64 random bytes") as refusal:
        signature.read_secret(text)
    assert len(text) < 7 or text not in str(refusal.value)
