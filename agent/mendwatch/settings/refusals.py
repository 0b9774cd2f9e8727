"""From what pydantic refuses to what an owner can act on: the key's path, what is wrong, what would be right."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Mapping
from typing import Any, TypeAlias

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from mendwatch.model.errors import Problem
from mendwatch.settings.toml import key_written, path_written, place_of, shown, written

Path: TypeAlias = tuple[str | int, ...]

_EXPECTED = {
    "bool_type": "true or false",
    "int_type": "a whole number",
    "string_type": "a text in quotes",
    "tuple_type": "a list in brackets",
}
_BOUND = {"greater_than_equal": "at least", "less_than_equal": "at most"}
_OWN_WORDS = re.compile(r"^Value error, ")


class Refusals:
    """Gathers every problem of one document.

    Args:
        document: the file as read, for the names and the order of what is in it.
    """

    def __init__(self, document: Mapping[str, object]) -> None:
        self._document = document
        self._found: list[tuple[tuple[int, ...], Problem]] = []

    def add(self, path: Path, what: str, right: str) -> None:
        """Note one problem."""
        problem = Problem(path_written(path, self._document), what, right)
        self._found.append((place_of(path, self._document), problem))

    def unknown(self, path: Path, known: Collection[str]) -> None:
        """Note an unknown key, with the nearest that is known."""
        self.add(path, "unknown key", nearest(str(path[-1]), known))

    def take(self, path: Path, error: ValidationError, model: type[BaseModel]) -> None:
        """Note all that pydantic refused of the table at this path."""
        for detail in error.errors(include_url=False):
            inner = tuple(step for step in detail["loc"] if step != "[key]")
            if detail["type"] == "extra_forbidden":
                self.unknown((*path, *inner), known_keys(model))
            else:
                what, right = _worded(detail, _field(model, inner))
                key, colon, rest = what.partition(": ")
                if not inner and colon and key in known_keys(model):  # said of the whole table, but one key is meant
                    inner, what = (key,), rest
                self.add((*path, *inner), what, right)

    def problems(self) -> tuple[Problem, ...]:
        """All of them, in the order of the file."""
        return tuple(problem for _, problem in sorted(self._found, key=lambda found: found[0]))


def nearest(word: str, known: Collection[str]) -> str:
    """What would be right in place of an unknown word."""
    close = difflib.get_close_matches(word, known, n=1)
    if close:
        return f'did you mean "{close[0]}"?'
    return "known here: " + ", ".join(sorted(known))


def keys(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The keys of a table as the file has them, with their declarations."""
    return {field.alias or name: field for name, field in model.model_fields.items()}


def known_keys(model: type[BaseModel]) -> tuple[str, ...]:
    """The names of the keys of a table."""
    return tuple(keys(model))


def example(key: str, field: FieldInfo) -> str:
    """A line of the file that would be right."""
    value = field.examples[-1] if field.examples else field.default
    return f"{key_written(key)} = {written(value)}"


def _field(model: type[BaseModel], inner: Path) -> tuple[str, FieldInfo] | None:
    declared = keys(model)
    name = str(inner[0]) if inner else ""
    return (name, declared[name]) if name in declared else None


def _worded(detail: ErrorDetails, field: tuple[str, FieldInfo] | None) -> tuple[str, str]:
    kind, value = detail["type"], detail.get("input")
    context: dict[str, Any] = detail.get("ctx", {})
    such_as = f"write for example {example(*field)}" if field is not None else "see the sample file"
    if kind == "value_error":
        what, _, right = _OWN_WORDS.sub("", detail["msg"]).partition("; ")
        return what, right or such_as
    if kind == "missing":
        return "is missing", such_as.replace("write", "add", 1)
    if kind in _EXPECTED:
        return f"{shown(value)} is not {_EXPECTED[kind]}", such_as
    if kind in _BOUND:
        bound = next(iter(context.values()))
        return f"{shown(value)} is out of range", f"give {_BOUND[kind]} {bound}"
    if kind == "enum":
        return f"{shown(value)} is not known here", f"give {context['expected']}"
    return detail["msg"][0].lower() + detail["msg"][1:], such_as
