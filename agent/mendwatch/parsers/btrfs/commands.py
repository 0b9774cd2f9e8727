"""Which btrfs command a read holds: words may be shortened, and options may stand anywhere (btrfs(8))."""

from __future__ import annotations

from dataclasses import dataclass

from mendwatch.model.capture import CommandRead

VERBS = {
    "replace": ("status",),
    "device": ("stats", "usage"),
    "filesystem": ("show", "usage", "df"),
    "scrub": ("status",),
    "balance": ("status",),
}
TIMED_OUT = 124  # what timeout(1) ends with
ERRORS_COUNTED = 64  # this bit of the exit code of `device stats -c` says that a counter is not 0


@dataclass(frozen=True, slots=True)
class Asked:
    """A command of btrfs that this parser knows.

    Attributes:
        words: group and verb, written out (``filesystem show``).
        options: long ones without their dashes, short ones letter by letter.
        about: the mount point, device, label or UUID, None where the whole host was asked.
    """

    words: str
    options: frozenset[str]
    about: str | None

    @property
    def mount(self) -> str | None:
        """The mount point, None where it was asked about something else."""
        about = self.about or ""
        return about if about.startswith("/") and not about.startswith("/dev/") else None

    @property
    def exactness(self) -> int:
        """How exact this form of the output is among the forms of its command; of equals the first counts."""
        raw = bool({"b", "raw"} & self.options)
        match self.words:
            case "scrub status":
                return -len({"R", "d"} & self.options)
            case "device stats":
                return 2 if "json" in self.options else int("T" in self.options)  # those tell the devid
            case "filesystem usage":
                return 2 * raw + ("T" not in self.options)
            case _:
                return int(raw or "json" in self.options)


def asked(read: CommandRead) -> Asked | None:
    """What a read asks of btrfs, also behind ``sudo`` and the like; None for anything else."""
    names = [word.rpartition("/")[2] for word in read.argv]
    if "btrfs" not in names:
        return None
    options: set[str] = set()
    words: list[str] = []
    for word in read.argv[names.index("btrfs") + 1 :]:
        if word.startswith("--"):
            options.update(word[2:].split("="))
        elif word.startswith("-"):
            options.update(word[1:])
        elif "format" in options and word in {"json", "text"}:
            options.add(word)
        else:
            words.append(word)
    if len(words) not in {2, 3}:
        return None
    group = next((full for full in VERBS if full.startswith(words[0])), None)
    verb = next((full for full in VERBS[group] if full.startswith(words[1])), None) if group is not None else None
    return Asked(f"{group} {verb}", frozenset(options), [*words, None][2]) if verb is not None else None


def answered(command: Asked, read: CommandRead) -> bool:
    """Whether the command told what it was asked."""
    if read.exit is None or read.exit == TIMED_OUT or read.error is not None:
        return False
    if command.words == "balance status":
        return read.exit == 0 or (read.exit == 1 and read.stdout.lstrip().startswith("Balance on"))
    if command.words == "device stats" and read.exit & ERRORS_COUNTED:
        return True
    return read.exit == 0


def why_not(read: CommandRead) -> str:
    """Why it told nothing, in words."""
    said = read.error or next(iter(read.stderr.strip().splitlines()), f"ended with {read.exit}")
    words = [read.argv[0].rpartition("/")[2], *read.argv[1:]]
    return f"{' '.join(words)}: {said}"
