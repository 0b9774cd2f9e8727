"""Ways in which an output may reach a parser damaged, and what each of them may not do to what is understood.

A mutation changes the text of one read of a poll. Its promise says what it leaves intact, and so what is held against
it (see ``judging.py``): one that takes something away can only lower what is known; one that puts an unlike thing in
the place of another must not make a degraded array look whole; of the rest only the absence of crashes is asked.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from random import Random
from typing import Any

# No character of any grammar: it stands for what a broken pipe or terminal makes of a text.
FOREIGN = ("\x00", "\ufffd", "\x1b", "§", "é", "\u2028", "\x0b", "\u0661", "\U0001f4a5")
NUMBERS = ("-1", "-999999999999", "99999999999999999999999", "9" * 400, "9" * 5000, "1e400", "٣", "0x7f", "nan")
VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 10**30, 1.5, float("nan"), float("inf"), "", "x", "9" * 5000, "\ud800"),
    *([], {}, [[]], [None], {"name": {}}, {"": None}, [{"vdevs": []}]),
)
LONG = ("a", " ", "[", "U", "9", "(R)", "- ", "ab ", "\t", "0 0 ", "x[1] ", "/", "raid ", ", ", "1.", "\\", "é")


class Promise(Enum):
    """What is held against a mutation."""

    LESS = "takes the end away, or adds noise: redundancy never rises, nothing vanishes unsaid"
    ROWS = "takes away or repeats single rows: nothing degraded looks whole, nothing vanishes unsaid"
    OTHER = "puts something unlike in its place: nothing degraded looks whole"
    NOTHING = "may say anything: no crash, bounded time"


@dataclass(frozen=True, slots=True)
class Mutation:
    """One way to damage a text; ``change`` gets the text, another text of the same host's source, and a foreign one."""

    name: str
    promise: Promise
    change: Callable[[Random, str, str, str], str]


def _lines(text: str) -> list[str]:
    return text.splitlines(keepends=True)


def _place(chance: Random, text: str) -> int:
    return chance.randrange(len(text) + 1)


def _cut(chance: Random, text: str, same: str, foreign: str) -> str:
    return text[: _place(chance, text)]


def _cut_at_line(chance: Random, text: str, same: str, foreign: str) -> str:
    lines = _lines(text)
    return "".join(lines[: chance.randrange(len(lines) + 1)])


def _without_a_line(chance: Random, text: str, same: str, foreign: str) -> str:
    lines = _lines(text)
    if lines:
        del lines[chance.randrange(len(lines))]
    return "".join(lines)


def _without_some_lines(chance: Random, text: str, same: str, foreign: str) -> str:
    keep = chance.random()
    return "".join(line for line in _lines(text) if chance.random() < keep)


def _line_doubled(chance: Random, text: str, same: str, foreign: str) -> str:
    lines = _lines(text)
    if lines:
        at = chance.randrange(len(lines))
        lines.insert(at, lines[at])
    return "".join(lines)


def _doubled(chance: Random, text: str, same: str, foreign: str) -> str:
    return text + text


def _lines_swapped(chance: Random, text: str, same: str, foreign: str) -> str:
    lines = _lines(text)
    if len(lines) > 1:
        one, other = chance.sample(range(len(lines)), 2)
        lines[one], lines[other] = lines[other], lines[one]
    return "".join(lines)


def _spliced_with_itself(chance: Random, text: str, same: str, foreign: str) -> str:
    return text[: _place(chance, text)] + same[_place(chance, same) :]


def _spliced_at_the_same_place(chance: Random, text: str, same: str, foreign: str) -> str:
    at = _place(chance, text)
    return text[:at] + same[at:]


def _spliced_with_another(chance: Random, text: str, same: str, foreign: str) -> str:
    return text[: _place(chance, text)] + foreign[_place(chance, foreign) :]


def _replaced_by_another(chance: Random, text: str, same: str, foreign: str) -> str:
    return foreign


def _garbled(chance: Random, text: str, same: str, foreign: str) -> str:
    characters = list(text)
    for _ in range(min(len(characters), chance.choice((1, 1, 1, 2, 5, 50)))):
        characters[chance.randrange(len(characters))] = chance.choice(FOREIGN)
    return "".join(characters)


def _letters_changed(chance: Random, text: str, same: str, foreign: str) -> str:
    characters = list(text)
    for _ in range(min(len(characters), chance.choice((1, 1, 1, 3)))):
        characters[chance.randrange(len(characters))] = chr(chance.randrange(32, 127))
    return "".join(characters)


def _digits_changed(chance: Random, text: str, same: str, foreign: str) -> str:
    share = chance.choice((0.02, 0.2, 1.0))
    return "".join(
        chance.choice("0123456789") if character in "0123456789" and chance.random() < share else character
        for character in text
    )


def _number_changed(chance: Random, text: str, same: str, foreign: str) -> str:
    starts = [at for at, character in enumerate(text) if character in "0123456789"]
    if not starts:
        return text
    first = last = chance.choice(starts)
    while first > 0 and text[first - 1] in "0123456789":
        first -= 1
    while last < len(text) and text[last] in "0123456789":
        last += 1
    return text[:first] + chance.choice(NUMBERS) + text[last:]


def _long_line(chance: Random, text: str, same: str, foreign: str, size: int = 200_000) -> str:
    piece = chance.choice((*LONG, *(line.rstrip("\n") for line in _lines(text)[:40] if line.strip())))
    at = _place(chance, text)
    return text[:at] + piece * (size // len(piece)) + text[at:]


def _ten_megabytes(chance: Random, text: str, same: str, foreign: str) -> str:
    return _long_line(chance, text, same, foreign, 10_000_000)


def _many_lines(chance: Random, text: str, same: str, foreign: str) -> str:
    lines = _lines(text) or ["\n"]
    at = chance.randrange(len(lines))
    return "".join([*lines[:at], *[lines[at]] * 2000, *lines[at:]])


def _deeply_nested(chance: Random, text: str, same: str, foreign: str) -> str:
    depth = chance.choice((50, 900, 3_000, 100_000))
    inner = '{"vdevs":' * depth + "{}" + "}" * depth if chance.random() < 0.5 else "[" * depth + "]" * depth
    at = text.find(":", _place(chance, text))
    return f"{text[: at + 1]}{inner}{text[at + 1 :]}" if chance.random() < 0.5 else inner


def _document(text: str) -> Any:
    try:
        return json.loads(text)
    except ValueError:
        return None


def _nodes(value: Any) -> list[tuple[Any, Any]]:
    """Each container with each of its keys or places."""
    found: list[tuple[Any, Any]] = []
    keys: Any = value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    for key in keys:
        found.append((value, key))
        found += _nodes(value[key])
    return found


def _json_value_changed(chance: Random, text: str, same: str, foreign: str) -> str:
    document = _document(text)
    nodes = _nodes(document)
    if not nodes:
        return text
    container, key = chance.choice(nodes)
    container[key] = chance.choice(VALUES)
    return json.dumps(document)


def _json_key_dropped(chance: Random, text: str, same: str, foreign: str) -> str:
    """Any key or place but the first two levels, without which the rest is a whole answer about fewer arrays."""
    document = _document(text)
    top = [id(document), *(id(value) for value in (document.values() if isinstance(document, dict) else ()))]
    nodes = [node for node in _nodes(document) if id(node[0]) not in top]
    if not nodes:
        return text
    container, key = chance.choice(nodes)
    del container[key]
    return json.dumps(document)


def _json_key_doubled(chance: Random, text: str, same: str, foreign: str) -> str:
    """A key that comes again with another value: JSON readers take the last."""
    document = _document(text)
    nodes = [node for node in _nodes(document) if isinstance(node[0], dict)]
    if not nodes:
        return text
    container, key = chance.choice(nodes)
    mark = "\ue000"
    container[mark] = chance.choice(VALUES)
    return json.dumps(document).replace(json.dumps(mark), json.dumps(key))


TEXT = (
    Mutation("unchanged", Promise.LESS, lambda chance, text, same, foreign: text),
    Mutation("cut at any character", Promise.LESS, _cut),
    Mutation("cut at the end of a line", Promise.LESS, _cut_at_line),
    Mutation("one line dropped", Promise.ROWS, _without_a_line),
    Mutation("some lines dropped", Promise.NOTHING, _without_some_lines),
    Mutation("line doubled", Promise.ROWS, _line_doubled),
    Mutation("all doubled", Promise.LESS, _doubled),
    Mutation("two lines swapped", Promise.NOTHING, _lines_swapped),
    Mutation("spliced with another poll", Promise.NOTHING, _spliced_with_itself),
    Mutation("spliced with another poll at one place", Promise.NOTHING, _spliced_at_the_same_place),
    Mutation("spliced with another system", Promise.LESS, _spliced_with_another),
    Mutation("replaced by another system's", Promise.LESS, _replaced_by_another),
    Mutation("garbled with foreign characters", Promise.OTHER, _garbled),
    Mutation("letters changed", Promise.NOTHING, _letters_changed),
    Mutation("digits changed", Promise.NOTHING, _digits_changed),
    Mutation("number replaced", Promise.OTHER, _number_changed),
    Mutation("CRLF", Promise.LESS, lambda chance, text, same, foreign: text.replace("\n", "\r\n")),
    Mutation("tabs to blanks", Promise.LESS, lambda chance, text, same, foreign: text.expandtabs()),
    Mutation("byte order mark", Promise.LESS, lambda chance, text, same, foreign: "\ufeff" + text),
    Mutation(
        "UTF-16 read as Latin-1",
        Promise.LESS,
        lambda chance, text, same, foreign: text.encode("utf-16", "surrogatepass").decode("latin-1"),
    ),
    Mutation(
        "UTF-8 read as Latin-1",
        Promise.OTHER,
        lambda chance, text, same, foreign: text.encode("utf-8", "surrogatepass").decode("latin-1"),
    ),
    Mutation("empty", Promise.LESS, lambda chance, text, same, foreign: ""),
    Mutation("a line of 200 kB", Promise.OTHER, _long_line),
    Mutation("a line 2,000 times", Promise.ROWS, _many_lines),
    Mutation("deeply nested", Promise.OTHER, _deeply_nested),
)
JSON = (
    Mutation("JSON: value of another type", Promise.OTHER, _json_value_changed),
    Mutation("JSON: key dropped", Promise.ROWS, _json_key_dropped),
    Mutation("JSON: key given twice", Promise.OTHER, _json_key_doubled),
)
LARGE = Mutation("a line of 10 MB", Promise.OTHER, _ten_megabytes)
ALL = (*TEXT, *JSON, LARGE)
