"""Attempts that hang are left behind, and not without end."""

from __future__ import annotations

import threading

import pytest

from mendwatch.delivery.bounded import _MOST_LEFT, Bounded
from mendwatch.model.errors import DeliveryError


def test_what_an_attempt_returns_or_raises_comes_through() -> None:
    bounded = Bounded(5)
    assert bounded.run(lambda: "taken") == "taken"
    with pytest.raises(ZeroDivisionError):
        bounded.run(lambda: str(1 / 0))


def test_hanging_attempts_are_left_behind_but_not_without_end() -> None:
    released = threading.Event()

    def hang() -> str:
        released.wait(30)
        return "late"

    bounded = Bounded(0.01)
    for _ in range(_MOST_LEFT):
        with pytest.raises(DeliveryError, match="no end within"):
            bounded.run(hang)
    before = threading.active_count()
    with pytest.raises(DeliveryError, match=f"{_MOST_LEFT} earlier attempts still hang") as refusal:
        bounded.run(hang)
    assert refusal.value.again
    assert threading.active_count() == before
    released.set()
    for thread in bounded._left:
        thread.join()
    assert Bounded(5).run(lambda: "taken") == bounded.run(lambda: "taken") == "taken"
