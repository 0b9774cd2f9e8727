"""The complete sample file, made from the declarations: every key explained, every default shown."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pydantic.fields import FieldInfo

from mendwatch.model.channels import OPTIONS
from mendwatch.settings.refusals import keys
from mendwatch.settings.tables import (
    KNOWN_SOURCES,
    ArraySettings,
    ChannelTable,
    HostSettings,
    PolicySettings,
    PollingSettings,
    ProgramSettings,
    SourceSettings,
)
from mendwatch.settings.toml import key_written, written

_HEAD = """\
# Mendwatch follows the rebuilds of this host's arrays and pages a person when one will outlast the policy.
#
# As it stands, this file changes nothing, and suits a server with four drives; only the channels at the end need
# your own values. "#key = value" shows a default or an example: take the # away to set the key.
# A duration is a text with its unit: "90s", "20m", "24h", "9d". An unknown key is refused, with the one nearest to it.
# After a change: mendwatch preflight --config FILE, then mendwatch page-test --config FILE, then reload the service.
"""
# The tool that each storage system is read with; md is read from files alone.
_TOOLS = {"zfs": "/usr/sbin/zpool", "btrfs": "/usr/bin/btrfs", "dm-raid": "/usr/sbin/dmsetup"}
_PROGRAM = """\
A storage system of your own: any name, and a program that prints what it knows as JSON (observation.schema.json).
That of a plug-in has the plug-in's name and the keys above."""
_CHANNELS = {
    "webhook": ("ops", "A POST with the alert as JSON (CloudEvents 1.0, structured mode)."),
    "email": ("mail", "A mail with a text and an HTML part."),
    "log": ("journal", "A line in the agent's own log."),
}


def sample() -> str:
    """The text of ``config/mendwatch.toml``."""
    own = {key: field for key, field in keys(ArraySettings).items() if key not in keys(PolicySettings)}
    sections = [
        _HEAD.splitlines(),
        _section("[host]", "", keys(HostSettings)),
        _section("[polling]", "", keys(PollingSettings)),
        *_sources(),
        _section("[policy]", "What counts as too long, for every array.", keys(PolicySettings)),
        _section(
            "#[[array]]", "For some arrays: any key of [policy], and these. Repeat the table as often as you need.", own
        ),
        *_channels(),
    ]
    return "\n\n".join("\n".join(lines) for lines in sections) + "\n"


def _sources() -> Iterator[list[str]]:
    said = "The storage systems. What this host has is found by itself: these tables are for exceptions."
    for name in KNOWN_SOURCES:
        fields = keys(SourceSettings)
        if name not in _TOOLS:
            del fields["command"]
        yield _section(f"#[source.{name}]", said, fields, {"command": _TOOLS.get(name)}, explain=bool(said))
        said = ""
    yield _section("#[source.trays]", _PROGRAM, keys(ProgramSettings))


def _channels() -> Iterator[list[str]]:
    said = (
        "The channels. Without one, alerts are only written to the agent's log. Repeat the table as often as you need."
    )
    for kind, model in OPTIONS.items():
        fields = {**keys(ChannelTable), **keys(model)}
        values = {"name": _CHANNELS[kind][0], "kind": kind}
        yield _section("#[[channel]]", f"{said}\n{_CHANNELS[kind][1]}".strip(), fields, values)
        said = ""


def _section(
    headline: str,
    said: str,
    fields: Mapping[str, FieldInfo],
    values: Mapping[str, object] | None = None,
    *,
    explain: bool = True,
) -> list[str]:
    lines = [*_remarks(said), headline]
    for key, field in fields.items():
        if explain:
            needed = "Needed. " if field.is_required() else ""
            lines += ["", *_remarks(needed + (field.description or ""))]
        first, *others = _values(field, (values or {}).get(key))
        lines.append(f"#{key_written(key)} = {first}")
        lines += [f"# or: {key_written(key)} = {other}" for other in others] if explain else []
    return lines


def _values(field: FieldInfo, given: object) -> list[str]:
    if given is not None:
        return [written(given)]
    return [written(value) for value in field.examples or [field.default]]


def _remarks(text: str) -> list[str]:
    return [f"# {line}" for line in text.splitlines()]
