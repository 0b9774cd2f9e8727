"""A recording fit to be shown to strangers: names and numbers that tell whose server it is are replaced.

Each name is replaced by one of the same length and the same kinds of characters, the same everywhere, so that tables
keep their columns and the text still says the same of arrays that are called otherwise. What stays: the names that the
kernel gives (``sda1``), models, sizes, counters, times.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

from mendwatch.model.capture import Capture, CommandRead, FileRead, Read
from mendwatch.sources.recording import Header
from mendwatch.sources.redact_names import Names
from mendwatch.sources.redact_places import Place, command, in_path, places

# Tools that take arrays as bare words, and the first argument that may be one.
_NAMES_FROM = {"zpool": 2, "dmsetup": 2, "lvm": 2, "lvs": 1, "vgs": 1, "pvs": 1}
_TAKE_A_WORD = frozenset(
    {"-o", "--options", "--target", "--reportformat", "--units", "--separator", "-O", "--sort", "-T"}
)


class Redactor:
    """Replaces names in the polls of one recording.

    Args:
        key: secret and new for each recording, so that nobody can try names until one fits.
        host: the host's name, replaced wherever it stands.
    """

    def __init__(self, key: bytes, host: str | None) -> None:
        self._names = Names(key)
        if host:
            self._names.name(host)
            self._names.note(host.partition(".")[0])

    def header(self, header: Header) -> Header:
        """The first line; its note is free text and is left out."""
        return Header(None if header.host is None else self.name(header.host), header.timezone)

    def capture(self, capture: Capture) -> Capture:
        """One poll."""
        capture = replace(capture, reads=tuple(_without_strangers(read) for read in capture.reads))
        self._learn(capture)
        return replace(
            capture,
            reads=tuple(self._read(read) for read in capture.reads),
            boot=None if capture.boot is None else self._names.free(capture.boot),
            disks={self._device(name): row for name, row in capture.disks.items()},
            partitions={self._device(name): row for name, row in capture.partitions.items()},
            array_devices={self._device(name): row for name, row in capture.array_devices.items()},
            links={self.name(name): tuple(map(self._device, disks)) for name, disks in capture.links.items()},
            drives={
                self._device(name): replace(facts, serial=None if facts.serial is None else self.name(facts.serial))
                for name, facts in capture.drives.items()
            },
        )

    def name(self, name: str) -> str:
        """The replacement of a name, link or path."""
        return self._kernels_path(name) if name.startswith(("/proc/", "/sys/")) else self._names.name(name)

    def _device(self, name: str) -> str:
        """A kernel name, of which only md's can hold a word of the owner's (``md_home``)."""
        return self._names.name(name) if name.startswith("md_") else name

    def _learn(self, capture: Capture) -> None:
        """Go through a whole poll once, so that a name is known before the first text that mentions it."""
        for facts in capture.drives.values():
            self._names.keep_model(facts.model or "")
        for name in capture.links:
            self._names.is_leaf(name)
        for link in (*capture.links, *(facts.serial for facts in capture.drives.values())):
            self.name(link or "")
        for read in capture.reads:
            self._read(read)

    def _read(self, read: Read) -> Read:
        error = None if read.error is None else self._text(read.error, read)
        if isinstance(read, FileRead):
            text = None if read.text is None else self._text(read.text, read)
            return FileRead(self.name(read.path), text, error)
        return replace(
            read,
            argv=tuple(self._argument(read, at) for at in range(len(read.argv))),
            stdout=self._text(read.stdout, read),
            stderr=self._text(read.stderr, read),
            error=error,
        )

    def _argument(self, read: CommandRead, at: int) -> str:
        word = read.argv[at]
        if at == 0:
            folder, slash, tool = word.rpartition("/")
            return f"{self.name(folder)}{slash}{tool}"
        if word.startswith("/"):
            return self.name(word)
        if word.startswith("-") or read.argv[at - 1] in _TAKE_A_WORD:
            return word
        argv = command(read)
        from_end = len(read.argv) - at
        is_name = len(argv) - from_end >= _NAMES_FROM.get(argv[0], len(argv))
        return self.name(word) if is_name else self._names.free(word)

    def _text(self, text: str, read: Read) -> str:
        return self._filled(text, places(text, read))

    def _kernels_path(self, path: str) -> str:
        parts = []
        at = 0
        for place in in_path(path):
            parts += [self._names.identifiers(path[at : place.start]), self._names.name(path[place.start : place.end])]
            at = place.end
        return "".join((*parts, self._names.identifiers(path[at:])))

    def _filled(self, text: str, named: Sequence[Place]) -> str:
        """A text in which names stand at certain places, and perhaps elsewhere."""
        parts = []
        at = 0
        for place in named:
            parts += [self._names.free(text, at, place.start), self._at(text, place)]
            at = place.end
        return "".join((*parts, self._names.free(text, at)))

    def _at(self, text: str, place: Place) -> str:
        name = text[place.start : place.end]
        plain = _unescaped(name) if place.in_json and "\\" in name else None
        if plain is None:
            return self._names.name(name, group=place.group)
        return _escaped(self._names.name(plain, group=place.group), name)


def _unescaped(inside: str) -> str | None:
    """The text of a JSON string; None if it cannot be written again in the same form."""
    try:
        plain = json.loads(f'"{inside}"')
    except ValueError:
        return None
    return plain if isinstance(plain, str) and _escaped(plain, inside) == inside else None


def _escaped(plain: str, like: str) -> str:
    """A text as the inside of a JSON string, with the same characters escaped as in another."""
    inside = json.dumps(plain, ensure_ascii="\\u" in like)[1:-1]
    return inside.replace("/", "\\/") if "\\/" in like else inside


def _without_strangers(read: Read) -> Read:
    """Leave out what no parser needs and what tells of more than arrays: other mounts, typed commands, events."""
    if isinstance(read, CommandRead):
        is_chatty = command(read)[:2] in {("zpool", "history"), ("zpool", "events")}
        return replace(read, stdout="", stderr="") if is_chatty else read
    if read.text is not None and read.path.endswith("/mountinfo"):
        return replace(read, text="".join(line for line in read.text.splitlines(keepends=True) if " - btrfs " in line))
    return read
