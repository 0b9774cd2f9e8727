"""Polls of recordings and recorded cases, and one of them damaged by chance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from random import Random
from typing import TypeAlias

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.sources.recording import read_recording
from mendwatch.testing import read_cases
from support.mutations import JSON, LARGE, TEXT, Mutation
from support.recordings import FILES, RECORDED


@dataclass(frozen=True, eq=False)
class Seed:
    """An undamaged poll, and where it is from."""

    origin: str
    capture: Capture
    texts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Damaged:
    """A poll with one of its texts damaged."""

    seed: Seed
    mutation: Mutation
    read: int
    capture: Capture

    @property
    def text(self) -> str:
        """The damaged text."""
        return text_of(self.capture.reads[self.read])

    @property
    def origin(self) -> str:
        """Which poll, which of its reads, and what was done to it."""
        read = self.capture.reads[self.read]
        what = " ".join(read.argv) if isinstance(read, CommandRead) else read.path
        return f"{self.seed.origin}, {what}, {self.mutation.name}"


Seeds: TypeAlias = dict[str, dict[str, list[Seed]]]
"""By source, by recording or recorded case."""


def seeds(every: int = 1) -> Seeds:
    """The polls of all recordings (of a recording each ``every``-th) and of all recorded cases."""
    found: Seeds = {}
    for origin, number, capture in _captures(every):
        texts = tuple(at for at, read in enumerate(capture.reads) if text_of(read))
        if texts:
            seed = Seed(f"{origin}, poll {number}", capture, texts)
            found.setdefault(capture.source, {}).setdefault(origin, []).append(seed)
    return found


def _captures(every: int) -> Iterator[tuple[str, int, Capture]]:
    for name, path in FILES.items():
        lines = read_recording(path).lines
        for number, line in enumerate(lines):
            if isinstance(line, Capture) and number % every == 0:
                yield name, number, line
    for folder in sorted(RECORDED.iterdir()):
        for case in read_cases(folder):
            yield case.name, 0, case.capture


def text_of(read: Read) -> str:
    """The text of a read, empty if there is none."""
    return read.stdout if isinstance(read, CommandRead) else read.text or ""


def with_text(capture: Capture, at: int, text: str) -> Capture:
    """The poll with another text in place of one."""
    reads = list(capture.reads)
    read = reads[at]
    reads[at] = replace(read, stdout=text) if isinstance(read, CommandRead) else FileRead(read.path, text)
    return replace(capture, reads=tuple(reads))


def damage(chance: Random, polls: Seeds, large: float, sources: Sequence[str] = ()) -> Damaged:
    """A poll damaged by chance, of one of the sources; ``large`` is the share of those that get a line of 10 MB."""
    source = chance.choice(sources or sorted(polls))
    group = chance.choice(list(polls[source].values()))
    seed = chance.choice(group)
    # Commands and the one file that lists all arrays say most; the small files are many.
    main = [at for at in seed.texts if len(text_of(seed.capture.reads[at])) > 40]
    at = chance.choice(main if main and chance.random() < 0.8 else seed.texts)
    text = text_of(seed.capture.reads[at])
    as_json = text.lstrip().startswith("{")
    mutation = LARGE if chance.random() < large else chance.choice((*TEXT, *JSON) if as_json else TEXT)
    same = _another(chance, group, seed.capture.reads[at])
    stranger = _stranger(chance, polls, source)
    foreign = text_of(stranger.capture.reads[chance.choice(stranger.texts)])
    return Damaged(seed, mutation, at, with_text(seed.capture, at, mutation.change(chance, text, same, foreign)))


def _stranger(chance: Random, polls: Seeds, source: str) -> Seed:
    other = chance.choice([name for name in sorted(polls) if name != source])
    return chance.choice(chance.choice(list(polls[other].values())))


def _another(chance: Random, group: list[Seed], like: Read) -> str:
    """The text of the same command or file in another poll of the same host."""
    wanted = like.argv[:2] if isinstance(like, CommandRead) else like.path
    for read in chance.choice(group).capture.reads:
        if (read.argv[:2] if isinstance(read, CommandRead) else read.path) == wanted:
            return text_of(read)
    return ""
