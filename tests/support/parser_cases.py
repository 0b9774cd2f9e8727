"""The recorded polls of our own storage systems: see ``mendwatch.testing``, which every one is held to.

The expectations were worked out by hand from the published sources, not from the parser.
"""

from __future__ import annotations

from pathlib import Path

from mendwatch.model.capture import Capture
from mendwatch.model.plugin import Parser
from mendwatch.testing import cases as kit

FOLDER = Path(__file__).parent.parent / "recorded"


def cases(system: str) -> list[Path]:
    """The folders of one storage system's cases."""
    return sorted(path for path in (FOLDER / system).iterdir() if (path / "expected.json").is_file())


def capture(case: Path) -> Capture:
    """The poll, read as any recording is."""
    return kit.read_capture(case)


def differences(case: Path, parser: Parser) -> list[str]:
    """Where the parser understood something else than it should; empty when all is well."""
    return kit.differences(kit.read_case(case), parser)


def origin(case: Path) -> str:
    """Where the case comes from."""
    return (case / "origin.txt").read_text(encoding="utf-8")
