"""The records and protocols by which storage systems and channels declare themselves.

A storage system is one object with a name, the reads it wants, and a pure ``parse``; a channel is one object with a
name, its settings, and ``open``. Ours and third parties' come through the same entry points.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol, TypeAlias

from mendwatch.model.alert import Message
from mendwatch.model.capture import Capture, Read
from mendwatch.model.clock import Clock
from mendwatch.model.observation import Observation


@dataclass(frozen=True, slots=True)
class Command:
    """A reading command: ``argv[0]`` is a bare program name, found on a fixed PATH or given by the owner.

    Attributes:
        argv: the command.
        seldom: for a command that costs its host something (locks, drives that are read): what its answer depends on,
            as text. It is run when it never was, and again only when this text is another one than when it last ran,
            an hour ago or earlier. A poll that does not run it lacks its answer, which is no change; what an answer
            told carries over in the tracker. None: run at every poll that asks for it.
    """

    argv: tuple[str, ...]
    seldom: str | None = None


@dataclass(frozen=True, slots=True)
class File:
    """A status file below the host's root, by absolute path."""

    path: str


@dataclass(frozen=True, slots=True)
class Files:
    """Status files by glob (``/sys/block/md*/md/sync_action``); each match is read, none is no error."""

    pattern: str


Want: TypeAlias = Command | File | Files


class Parser(Protocol):
    """One storage system."""

    @property
    def name(self) -> str:
        """The source's name: ``zfs``."""
        ...

    @property
    def program(self) -> str | None:
        """The program that its commands run (``zpool``), None if it needs only files."""
        ...

    @property
    def present_if(self) -> tuple[str, ...]:
        """Globs of paths; the storage system is on this host if any exists."""
        ...

    def wants(self, reads: tuple[Read, ...]) -> tuple[Want, ...]:
        """What else to read, given what this poll has read so far; called until it wants nothing new."""
        ...

    def parse(self, capture: Capture) -> Observation:
        """Understand one capture.

        Raises:
            ParseError: the text is not this storage system's at all. Anything less is reported as unread.
        """
        ...


class Sender(Protocol):
    """An opened channel."""

    def send(self, message: Message) -> str:
        """Deliver one message and say in a few words how ('202 Accepted').

        Raises:
            DeliveryError: it was not delivered, and whether sending again can help.
        """
        ...


class Channel(Protocol):
    """One way of delivery."""

    @property
    def kind(self) -> str:
        """The word in the configuration: ``webhook``."""
        ...

    def open(self, name: str, options: Mapping[str, object], host: str, clock: Clock) -> Sender:
        """Make a sender from the options of one ``[[channel]]`` table, as written there.

        Everything that sending needs is read and imported now: a page may have to go out when no disk answers.

        Raises:
            SettingsError: a secret cannot be read, or the options contradict each other.
        """
        ...
