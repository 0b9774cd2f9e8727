"""What one poll read of one filesystem: of several forms of an output the most exact, and what failed."""

from __future__ import annotations

from dataclasses import dataclass, field, fields

from mendwatch.model.capture import CommandRead
from mendwatch.model.observation import Unread
from mendwatch.parsers.btrfs.balances import Balance, read_balance
from mendwatch.parsers.btrfs.chunks import Usage, read_device_usage, read_df, read_usage
from mendwatch.parsers.btrfs.commands import Asked, answered, why_not
from mendwatch.parsers.btrfs.devices import Counted, Show, read_show, read_stats
from mendwatch.parsers.btrfs.replacement import Replace, read_replace
from mendwatch.parsers.btrfs.scrubs import Scrub, read_scrub
from mendwatch.parsers.btrfs.sysfs import Sysfs


@dataclass(slots=True)
class Readings:
    """What one poll read of one filesystem; None is 'not read'.

    Attributes:
        one_device: the counters of a device that was asked by itself.
        balance: None as well if there is none.
        asked: the commands that were run on it, whether they answered or not.
        failed: those that did not, each in words.
        exactness: how exact the reading of each command is that counts.
    """

    mount: str | None = None
    uuid: str | None = None
    show: Show | None = None
    stats: list[Counted] | None = None
    one_device: list[Counted] | None = None
    usage: Usage | None = None
    df: Usage | None = None
    device_usage: Usage | None = None
    replace: Replace | None = None
    balance: Balance | None = None
    scrub: Scrub | None = None
    sysfs: Sysfs | None = None
    asked: set[str] = field(default_factory=set)
    failed: list[str] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    exactness: dict[str, int] = field(default_factory=dict)

    def odd(self, line: int, text: str) -> None:
        """Note a line that could not be read."""
        self.unread.append(Unread(line, text))

    @property
    def told(self) -> bool:
        """Whether any command answered."""
        return bool(self.exactness)

    @property
    def paths(self) -> set[str]:
        """The devices that are named."""
        counted = [*(self.stats or ()), *(self.one_device or ())]
        listed = [free for one in (self.usage, self.device_usage) if one is not None for free in one.free]
        shown = self.show.devices if self.show is not None else ()
        return {one.path for one in (*counted, *shown)} | {path for path, _ in listed}

    def join(self, other: Readings) -> None:
        """Take over what another place of the same filesystem told and this one did not."""
        for one in fields(self):
            mine = getattr(self, one.name)
            if mine is None:
                setattr(self, one.name, getattr(other, one.name))
        self.asked |= other.asked
        self.failed += other.failed
        self.unread += other.unread
        self.exactness = {**other.exactness, **self.exactness}

    def take(self, command: Asked, read: CommandRead) -> tuple[Show, ...]:
        """Read an output; of several forms of one the most exact counts, and all are accounted for line by line.

        Returns:
            the filesystems of a listing that is not of this one alone.
        """
        self.asked.add(command.words)
        if not answered(command, read):
            self.failed.append(why_not(read))
            return ()
        before = self.exactness.get(command.words)
        if command.words == "filesystem show":
            shown = read_show(read.stdout, self.odd)
            if not shown and read.stderr.strip():
                # Without root the listing of the whole host is empty, and ends well.
                self.failed.append(why_not(read))
            if command.about is None or len(shown) > 1:
                return tuple(shown)
            if shown and (before is None or command.exactness > before):
                self.show, self.uuid = shown[0], shown[0].uuid
                self.exactness[command.words] = command.exactness
            return ()
        told = self._read(command, read.stdout)
        if told and (before is None or command.exactness > before):
            self.exactness[command.words] = command.exactness
            for name, value in told.items():
                setattr(self, name, value)
        return ()

    def _read(self, command: Asked, text: str) -> dict[str, object]:
        """What an output says, by the field that it belongs to; empty if it says nothing."""
        match command.words:
            case "replace status":
                replace = read_replace(text, self.odd)
                return {"replace": replace} if replace is not None else {}
            case "balance status":
                return {"balance": read_balance(text, self.odd)}
            case "scrub status":
                status = read_scrub(text, self.odd)
                return {"scrub": status.scrub, "uuid": self.uuid or status.uuid}
            case "device stats":
                stats = read_stats(text, self.odd)
                alone = command.about is not None and command.mount is None and command.about.startswith("/dev/")
                return {"one_device" if alone else "stats": stats} if stats else {}
            case "device usage":
                return {"device_usage": read_device_usage(text, self.odd)}
            case "filesystem usage":
                return {"usage": read_usage(text, self.odd)}
            case _:
                return {"df": read_df(text, self.odd)}
