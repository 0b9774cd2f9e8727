"""The kinds of channels are found by entry points; one that is broken takes nothing else with it."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendwatch.delivery import registry
from mendwatch.model.channels import OPTIONS
from mendwatch.model.errors import SettingsError
from mendwatch.settings.parse import ChannelSettings
from support.receivers import HandClock, message

PLUGIN = """
class Bell:
    kind = "bell"

    def open(self, name, options, host, clock):
        self.rung = [name, dict(options), host]
        return self

    def send(self, message):
        self.rung.append(message.title)
        return "rung"

CHANNEL = Bell()
"""


@pytest.fixture
def plugins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A distribution of somebody else's, with one channel that works and two that do not."""
    (tmp_path / "bell_channel.py").write_text(PLUGIN)
    (tmp_path / "broken_channel.py").write_text("import a_module_that_nobody_has\n")
    about = tmp_path / "bells-1.0.dist-info"
    about.mkdir()
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: bells\nVersion: 1.0\n")
    (about / "entry_points.txt").write_text(
        "[mendwatch.channels]\n"
        "bell = bell_channel:CHANNEL\nbroken = broken_channel:CHANNEL\nlog = bell_channel:CHANNEL\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    return tmp_path


def test_ours_come_by_the_same_door() -> None:
    found = registry.load(registry.kinds())
    assert set(found.channels) == set(OPTIONS) == set(registry.kinds())
    assert {kind: channel.kind for kind, channel in found.channels.items()} == {kind: kind for kind in OPTIONS}
    assert found.failed == {}


def test_a_plug_in_is_a_channel_like_ours(plugins: Path) -> None:
    assert set(registry.kinds()) == {*OPTIONS, "bell", "broken"}
    found = registry.load(("bell", "email"))
    assert set(found.channels) == {"bell", "email"}
    sender = found.open(ChannelSettings("door", "bell", {"loud": True}), "store-1", HandClock())
    assert sender.send(message()) == "rung"
    assert vars(sender)["rung"] == ["door", {"loud": True}, "store-1", message().title]


def test_one_that_fails_is_kept_with_its_reason(plugins: Path) -> None:
    found = registry.load(("bell", "broken", "log"))
    assert set(found.channels) == {"bell", "log"}
    assert "No module named 'a_module_that_nobody_has'" in found.failed["broken"]
    assert "there are two of this name" in found.failed["log"]
    with pytest.raises(SettingsError, match=r'channel "door": broken cannot be had: .*a_module_that_nobody_has'):
        found.open(ChannelSettings("door", "broken", {}), "store-1", HandClock())
    with pytest.raises(SettingsError, match="fax cannot be had: nothing on this machine brings it"):
        found.open(ChannelSettings("door", "fax", {}), "store-1", HandClock())
