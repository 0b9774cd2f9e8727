"""All that a message may advise: a closed list, cautious, deferring to the vendor and to the person responsible."""

from __future__ import annotations

from enum import StrEnum

from mendwatch.model.alert import AlertKind
from mendwatch.model.records import Cause


class Advice(StrEnum):
    """The sentences, and no others."""

    BACKUP = "First verify that a current backup exists and can be restored."
    SERIAL = "Find the drive by its serial number before touching anything."
    VENDOR = "Read what the storage system's vendor says about this state."
    LOAD = "Lower other load on these drives if you can."
    SETTING = "Look at the setting named above."
    CABLE = "Look at the cables and ports of the drives concerned."
    RESPONSIBLE = "Ask the person responsible before changing anything."


NO_GUARANTEE = "This is an estimate and no guarantee."

BY_KIND: dict[AlertKind, tuple[Advice, ...]] = {
    AlertKind.ARRAY_LOST: (Advice.RESPONSIBLE, Advice.BACKUP, Advice.VENDOR),
    AlertKind.REDUNDANCY_REDUCED: (Advice.BACKUP, Advice.SERIAL, Advice.VENDOR),
    AlertKind.ARRAY_GONE: (Advice.RESPONSIBLE, Advice.CABLE),
    AlertKind.MEMBER_ERRORS: (Advice.BACKUP, Advice.SERIAL, Advice.CABLE),
    AlertKind.REBUILD_UNDERWAY: (),
    AlertKind.WINDOW_OVER_POLICY: (Advice.BACKUP, Advice.LOAD, Advice.RESPONSIBLE),
    AlertKind.REBUILD_STALLED: (Advice.BACKUP, Advice.VENDOR, Advice.RESPONSIBLE),
    AlertKind.REBUILD_RESTARTED: (Advice.BACKUP, Advice.VENDOR),
    AlertKind.REBUILD_FAILED: (Advice.BACKUP, Advice.VENDOR, Advice.RESPONSIBLE),
    AlertKind.SOURCE_BLIND: (Advice.RESPONSIBLE,),
}
BY_CAUSE: dict[Cause, Advice] = {
    Cause.THROTTLED: Advice.SETTING,
    Cause.BUSY_HOST: Advice.LOAD,
    Cause.SLOW_LINK: Advice.CABLE,
    Cause.SLOW_READER: Advice.SERIAL,
    Cause.SHINGLED_WRITER: Advice.SERIAL,
    Cause.SLOW_WRITER: Advice.SERIAL,
}


def advice_for(kind: AlertKind, causes: tuple[Cause, ...]) -> tuple[Advice, ...]:
    """What to advise for an alert with these causes, each sentence once, at most four."""
    found = [*BY_KIND.get(kind, ()), *(BY_CAUSE[cause] for cause in causes if cause in BY_CAUSE)]
    return tuple(dict.fromkeys(found))[:4] if BY_KIND.get(kind) else ()
