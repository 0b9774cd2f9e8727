"""As much of JSON Schema (draft 2020-12) as the published schemas use; any other word in a schema is refused."""

from __future__ import annotations

from datetime import datetime
from typing import Any

_TYPES: dict[str, type | tuple[type, ...]] = {
    "object": dict,
    "array": list,
    "string": str,
    "boolean": bool,
    "integer": int,
    "number": (int, float),
    "null": type(None),
}
_WORDS = {
    "$schema", "$defs", "$ref", "title", "description", "type", "enum", "const", "required", "properties", "items",
    "anyOf", "minimum", "minLength", "format",
}  # fmt: skip


def faults(value: object, schema: dict[str, Any], whole: dict[str, Any], at: str = "$") -> list[str]:
    """What is wrong with a value, with its place; empty if nothing is."""
    unknown = set(schema) - _WORDS
    assert not unknown, f"this validator does not know {unknown}"
    if "$ref" in schema:
        return faults(value, whole["$defs"][schema["$ref"].removeprefix("#/$defs/")], whole, at)
    if "anyOf" in schema:
        tried = [faults(value, one, whole, at) for one in schema["anyOf"]]
        return [] if [] in tried else tried[0]
    found = _own_faults(value, schema, at)
    if isinstance(value, dict):
        found += [f"{at}: lacks {key}" for key in schema.get("required", []) if key not in value]
        for key, inner in schema.get("properties", {}).items():
            if key in value:
                found += faults(value[key], inner, whole, f"{at}.{key}")
    if isinstance(value, list) and "items" in schema:
        for number, item in enumerate(value):
            found += faults(item, schema["items"], whole, f"{at}[{number}]")
    return found


def _own_faults(value: object, schema: dict[str, Any], at: str) -> list[str]:
    found = []
    if "type" in schema:
        names = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
        if not any(_is(value, name) for name in names):
            found.append(f"{at}: {value!r} is not {names}")
    if "enum" in schema and value not in schema["enum"]:
        found.append(f"{at}: {value!r} is none of {schema['enum']}")
    if "const" in schema and value != schema["const"]:
        found.append(f"{at}: {value!r} is not {schema['const']!r}")
    if "minimum" in schema and isinstance(value, int | float) and value < schema["minimum"]:
        found.append(f"{at}: {value!r} is below {schema['minimum']}")
    if "minLength" in schema and isinstance(value, str) and len(value) < schema["minLength"]:
        found.append(f"{at}: {value!r} is too short")
    if schema.get("format") == "date-time" and isinstance(value, str) and not _is_utc_time(value):
        found.append(f"{at}: {value!r} is no RFC 3339 time in UTC")
    return found


def _is(value: object, name: str) -> bool:
    return isinstance(value, _TYPES[name]) and (name in {"boolean"} or not isinstance(value, bool))


def _is_utc_time(text: str) -> bool:
    try:
        return text.endswith("Z") and datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False
