"""Names come from outside: nothing of them may steer a terminal, a mail header or a page."""

from __future__ import annotations

import unicodedata

# Cc controls, Cf formats (among them those that turn the direction of text), Cs lone surrogates, Co private use,
# Zl and Zp line and paragraph ends.
UNWANTED = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
LONGEST = 200


def clean(text: str, longest: int = LONGEST) -> str:
    """The text on one line, each character that could steer anything replaced, cut where it is absurdly long."""
    safe = "".join("?" if unicodedata.category(char) in UNWANTED else char for char in text)
    return safe if len(safe) <= longest else f"{safe[: longest - 1]}…"
