"""Names as the storage systems print them, without what would steer a terminal."""

from __future__ import annotations


def printable(text: str) -> str:
    """The text with each control character replaced: no device needs one, and a terminal obeys them."""
    if text.isprintable():
        return text
    return "".join(char if char.isprintable() else "?" for char in text)
