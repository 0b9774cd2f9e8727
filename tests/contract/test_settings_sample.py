"""The sample, the examples and the declarations say the same."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from pydantic import BaseModel

from mendwatch.model.channels import OPTIONS
from mendwatch.settings import KNOWN_SOURCES, Settings, parse, sample
from mendwatch.settings.refusals import keys
from mendwatch.settings.tables import (
    ArraySettings,
    ChannelTable,
    HostSettings,
    PolicySettings,
    PollingSettings,
    ProgramSettings,
    SourceSettings,
)

CONFIG = Path(__file__).parents[2] / "config"
SAMPLE = sample()
# A key or headline that is commented out has no blank after the sign; what explains has one.
OFF = re.compile(r"^#(?=[\[a-z])", re.MULTILINE)
NEEDED = {"name", "kind", "url", "server", "from", "to", "user", "password_file", "argv"}
SETTING = re.compile(r"^#([a-z_]+) = .*$", re.MULTILINE)


def sections() -> list[str]:
    """Each table of the sample on its own."""
    return [part for part in re.split(r"(?m)^(?=#?\[)", SAMPLE) if part.startswith(("[", "#["))]


def name_of(section: str) -> str:
    kind = re.search(r'^#kind = "(.*)"', section, re.MULTILINE)
    return f"channel {kind[1]}" if kind else section.splitlines()[0].strip("#[]")


def tables() -> dict[str, set[str]]:
    """The keys that the sample shows, by table; channels by kind."""
    return {name_of(section): set(SETTING.findall(section)) for section in sections()}


def same(one: Settings, other: Settings) -> bool:
    return (one.host, one.polling, dict(one.sources), one.policy, one.arrays, one.channels) == (
        other.host,
        other.polling,
        dict(other.sources),
        other.policy,
        other.arrays,
        other.channels,
    )


def test_the_file_in_the_repository_is_the_generated_one() -> None:
    assert (CONFIG / "mendwatch.toml").read_text(encoding="utf-8") == SAMPLE


def test_unedited_it_changes_nothing() -> None:
    assert same(parse(SAMPLE, "sample"), parse("", "empty"))


def test_every_key_of_every_table_is_shown_and_no_other() -> None:
    source = set(keys(SourceSettings))
    assert tables() == {
        "host": set(keys(HostSettings)),
        "polling": set(keys(PollingSettings)),
        # md is read from files: there is no command to name.
        **{f"source.{name}": source - ({"command"} if name == "md" else set()) for name in KNOWN_SOURCES},
        "source.trays": set(keys(ProgramSettings)),
        "policy": set(keys(PolicySettings)),
        "array": set(keys(ArraySettings)) - set(keys(PolicySettings)),
        **{f"channel {kind}": {*keys(ChannelTable), *keys(model)} for kind, model in OPTIONS.items()},
    }


def test_with_everything_switched_on_it_is_valid() -> None:
    settings = parse(OFF.sub("", SAMPLE), "sample")
    assert [channel.kind for channel in settings.channels] == list(OPTIONS)
    assert len(settings.arrays) == 1


@pytest.mark.parametrize("section", sections(), ids=name_of)
def test_each_key_can_be_switched_on_alone(section: str) -> None:
    for shown in SETTING.finditer(section):
        kept = {shown[0]}
        if section.startswith("#["):
            kept.add(section.splitlines()[0])
        if (
            "[[" in section or "#argv" in section
        ):  # these have keys that must not be missing, and two that belong together
            kept |= {found[0] for found in SETTING.finditer(section) if found[1] in NEEDED}
        text = "\n".join(line[1:] if line in kept else line for line in section.splitlines())
        parse(text, f"sample with {shown[1]}")
        assert shown[1] in str(tomllib.loads(text))


@pytest.mark.parametrize("section", sections(), ids=name_of)
def test_where_there_is_a_default_the_sample_shows_it(section: str) -> None:
    """Of a table whose keys all have defaults, switching on those that are defaults changes nothing."""
    if "[[" in section or "source." in section:
        return
    without = {"name"}  # its default is the host's own name, which is not known here
    kept = {found[0] for found in SETTING.finditer(section) if found[1] not in without}
    text = "\n".join(line[1:] if line in kept else line for line in section.splitlines())
    assert same(parse(text, "sample"), parse("", "empty"))


def test_every_key_is_explained() -> None:
    models: list[type[BaseModel]] = [HostSettings, PollingSettings, SourceSettings, ProgramSettings]
    models += [ArraySettings, ChannelTable]
    for model in (*models, *OPTIONS.values()):
        for field in keys(model).values():
            assert field.description
            for line in field.description.splitlines():
                assert line in SAMPLE
                assert len(line) < 120


@pytest.mark.parametrize("file", sorted((CONFIG / "examples").glob("*.toml")), ids=lambda file: file.name)
def test_the_examples_are_valid_and_page_somebody(file: Path) -> None:
    settings = parse(file.read_text(encoding="utf-8"), file.name)
    assert {channel.kind for channel in settings.channels} & {"webhook", "email"}


def test_the_example_with_a_mirror_that_leaves_lets_it_leave() -> None:
    text = (CONFIG / "examples/two-mirrors.toml").read_text(encoding="utf-8")
    policy = parse(text, "two-mirrors.toml").to_policy("store-2")
    assert policy.for_array("away-1").may_leave
    assert not policy.for_array("vault").may_leave
