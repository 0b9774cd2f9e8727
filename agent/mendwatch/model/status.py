"""How things stand, for ``status`` and for whoever asks between two polls."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from mendwatch.model.alert import Alert
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
