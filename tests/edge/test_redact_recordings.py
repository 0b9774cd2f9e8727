"""Every real recording and every recorded output, redacted: the same is understood, and nothing of whose it is."""

import re
from pathlib import Path

import pytest

from mendwatch.model.capture import Capture
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import Observation
from mendwatch.sources import registry
from mendwatch.sources.redact import Redactor
from support.recordings import FILES
from support.redacted_polls import cases, left, said, sampled, secrets, texts, unlike

KEY = b"a key of the test's own"
REAL = [*FILES.values()]
PARSERS = registry.load().parsers
EVERY = 17
# Words of the tools that a pool, volume or label of the samples happens to be called by; each stands in the tool's own
# text, too. That they are replaced where names stand is seen by what is understood.
ORDINARY = {"data", "vg", "pool", "host", "mirror", "disk", "array", "volume", "btrfs", "far", "path", "raid"}
STAND_INS = ("<missing disk>", "[unknown]", "No known data errors", "replacing-", "mirror-", "raidz1-", "spares")


def parsed(capture: Capture) -> Observation | None:
    try:
        return PARSERS[capture.source].parse(capture)
    except ParseError:
        return None


def skeleton(text: str) -> str:
    """A text with every letter and digit made alike: what a table's columns and a line's shape depend on."""
    return re.sub(r"[0-9]", "0", re.sub(r"[^\W\d_a-z]", "A", re.sub(r"[a-z]", "a", text)))


def faults(redactor: Redactor, capture: Capture, host: str | None) -> list[str]:
    hidden = redactor.capture(capture)
    before, after = parsed(capture), parsed(hidden)
    if before is None or after is None:
        return [] if before is after else ["only one of the two can be read"]
    told = said(hidden)
    found = unlike(before, after, redactor.name)
    found += [
        f"left: {way}"
        for one in secrets(capture, before, host)
        if len(one) > 2 and one.lower() not in ORDINARY
        for way in left(told, one)
    ]
    for old, new in zip(texts(capture), texts(hidden), strict=True):
        if new and "/mountinfo" not in old:  # what people typed is left out whole
            if skeleton(new) != skeleton(old):
                found.append(f"not the same form: {new[:300]!r}")
            if [new.count(word) for word in STAND_INS] != [old.count(word) for word in STAND_INS]:
                found.append(f"a word of the tool's is gone: {new[:300]!r}")
    return found


@pytest.mark.parametrize("path", REAL, ids=lambda path: path.name.removesuffix(".jsonl.gz"))
def test_a_real_recording_says_the_same_and_tells_no_name(path: Path) -> None:
    host, polls = sampled(path, EVERY)
    redactor = Redactor(KEY, host)
    assert [fault for poll in polls for fault in faults(redactor, poll, host)] == []


def test_every_recorded_output_says_the_same_and_tells_no_name() -> None:
    polls = list(cases())
    assert len(polls) > 100
    assert [(poll.source, fault) for poll in polls for fault in faults(Redactor(KEY, None), poll, None)] == []
