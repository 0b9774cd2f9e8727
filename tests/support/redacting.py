"""Polls that are redacted as a recording is, with a key of the tests' own."""

from datetime import UTC, datetime

from mendwatch.model.capture import Capture, CommandRead
from mendwatch.sources import registry
from mendwatch.sources.redact import Redactor
from support.redacted_polls import unlike

KEY = b"a key of the test's own"
NOON = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


def redacted(*captures: Capture, host: str | None = "store-1.example.org") -> list[Capture]:
    redactor = Redactor(KEY, host)
    return [redactor.capture(capture) for capture in captures]


def command(stdout: str, *argv: str, stderr: str = "") -> Capture:
    return Capture(NOON, "zfs", (CommandRead(argv or ("zpool", "status"), 0, stdout, stderr),))


def same_but_for_names(capture: Capture, host: str | None = None) -> Capture:
    """Redact a poll and hold what is understood of it against what was understood before."""
    parser = registry.load().parsers[capture.source]
    redactor = Redactor(KEY, host)
    hidden = redactor.capture(capture)
    before = parser.parse(capture)
    assert before.arrays
    assert before.error is None
    assert unlike(before, parser.parse(hidden), redactor.name) == []
    return hidden


def pool_text(pool: str, *rows: str, state: str = "ONLINE") -> str:
    """``zpool status`` as zpool_main.c prints it: names padded by bytes to the widest."""
    names = [pool, *rows]
    width = max(len(name.encode()) for name in names)
    table = "".join(f"\t{name}{' ' * (width - len(name.encode()))}  {state}       0     0     0\n" for name in names)
    return (
        f"  pool: {pool}\n state: {state}\n  scan: none requested\nconfig:\n\n"
        f"\tNAME{' ' * (width - 4)}  STATE     READ WRITE CKSUM\n{table}\nerrors: No known data errors\n"
    )
