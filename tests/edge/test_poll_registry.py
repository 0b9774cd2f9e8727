"""Storage systems are found through real entry points of real (small) distributions."""

from pathlib import Path

import pytest

from mendwatch.sources import registry

GOOD = """
class Parser:
    name = "{name}"
    program = None
    present_if = ()
    def wants(self, reads): return ()
    def parse(self, capture): raise NotImplementedError
PARSER = Parser()
"""


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.syspath_prepend(str(tmp_path))
    return tmp_path


def install(site: Path, module: str, name: str, source: str) -> None:
    """A distribution with one module and one entry point."""
    (site / f"{module}.py").write_text(source)
    info = site / f"{module}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[mendwatch.parsers]\n{name} = {module}:PARSER\n")


def test_a_third_party_s_storage_system_is_found_beside_ours(site: Path) -> None:
    install(site, "example_trays", "trays", GOOD.format(name="trays"))
    found = registry.load()
    assert found.parsers["trays"].name == "trays"
    assert {"btrfs", "dm-raid", "md", "zfs"} <= set(found.parsers)
    assert "trays" not in found.failed


@pytest.mark.parametrize(
    ("module", "source", "told"),
    [
        ("example_raising", "raise SystemError('no')", "fails to load: SystemError('no')"),
        ("example_number", "PARSER = 5", "it lacks name, program"),
        ("example_empty", "OTHER = 5", "fails to load: AttributeError"),
        ("example_crates", GOOD.format(name="crates"), "calls itself 'crates'"),
    ],
)
def test_one_that_cannot_be_had_is_kept_with_its_reason(site: Path, module: str, source: str, told: str) -> None:
    install(site, module, "trays", source)
    found = registry.load()
    assert "trays" not in found.parsers
    assert told in found.failed["trays"]
    assert "md" in found.parsers


def test_two_of_one_name_are_both_refused(site: Path) -> None:
    install(site, "example_one", "trays", GOOD.format(name="trays"))
    install(site, "example_two", "trays", GOOD.format(name="trays"))
    found = registry.load()
    assert "trays" not in found.parsers
    assert found.failed["trays"] == (
        "example_one:PARSER and example_two:PARSER both claim this name; uninstall one of them"
    )
