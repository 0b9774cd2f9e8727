"""How things stand, for ``status`` and for whoever asks between two polls."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from mendwatch.model.alert import Alert
from mendwatch.model.capture import DriveFacts
from mendwatch.model.observation import Array
from mendwatch.model.records import RunRecord, Sample, WindowRecord


@dataclass(frozen=True, slots=True)
class RunStatus:
    """A run that goes on, with its latest sample (None for passes and before the first)."""

    run: RunRecord
    sample: Sample | None
    done: float | None
    held: str | None


@dataclass(frozen=True, slots=True)
class DriveStatus:
    """The drive behind a member, as a person must know it to find it.

    Attributes:
        member: the member's name, as the storage system prints it.
        drive: by kernel name, where it is known now.
        listed: False for one that the array has listed and no longer does, while it is not whole.
        trouble: it is gone, does not count, is being filled, or the storage system counts errors against it.
        io_errors: commands that ended with an error since it was attached, harmless probes included.
    """

    member: str
    drive: str | None
    facts: DriveFacts
    listed: bool = True
    trouble: bool = False
    io_errors: int | None = None


@dataclass(frozen=True, slots=True)
class ArrayStatus:
    """One array as it stands.

    Attributes:
        array: as last observed, with what single polls lacked carried over.
        array_id: the id under which the history knows it.
        seen: when it was last observed; gone: it was absent at the last complete poll.
        limits_hours: the limit of each level's clock, in hours; usual_hours: what a rebuild of it usually takes.
        clocks_hours: how long each level's clock has run in the open window.
        standing: the alerts whose condition has not ended.
        suspects: one line for each member or spare whose own facts speak for drive-managed shingling.
        drives: what is behind the members, in their order, then what the array no longer lists.
        shared: one line for each drive that holds several members of one group.
    """

    array: Array
    array_id: str
    seen: datetime
    gone: bool
    redundancy_full: int | None
    redundancy_left: int | None
    window: WindowRecord | None
    runs: tuple[RunStatus, ...]
    limits_hours: dict[int, float]
    clocks_hours: dict[int, float]
    usual_hours: float | None
    usual_basis: str
    standing: tuple[Alert, ...]
    suspects: tuple[str, ...]
    drives: tuple[DriveStatus, ...] = ()
    shared: tuple[str, ...] = ()
