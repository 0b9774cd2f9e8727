"""Alerts made by hand, one of each kind with all the facts that it can have."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from mendwatch.model.alert import Alert, AlertKind, Fact, Level
from mendwatch.model.records import Cause, Finding, Quantiles

# A Tuesday; Berlin is one hour ahead of UTC until the last Sunday of March.
AT = datetime(2026, 3, 10, 8, 30, tzinfo=UTC)
ZONE = "Europe/Berlin"
END = Quantiles(AT + timedelta(hours=40), AT + timedelta(hours=48), AT + timedelta(hours=70))
SHINGLED = Finding(
    Cause.SHINGLED_WRITER,
    "dsk-b07",
    0.9,
    "dsk-b07 takes 8.2 MB/s at 99 % busy, its peers gave 71 MB/s; it began at 140 MB/s",
)
HELD_BACK = Finding(Cause.THROTTLED, None, 0.8, "speed_limit_max is 20000 (usually 200000), the rate is 20 MB/s")

_SINCE = "2026-03-10T07:30:00+00:00"
_WINDOW: Fact = {"p10": 60.0, "p50": 68.0, "p90": 90.0}
FACTS: dict[AlertKind, dict[str, Fact]] = {
    AlertKind.ARRAY_LOST: {"why": "more is lost than the layout survives", "data_errors": 3, "state": "SUSPENDED"},
    AlertKind.REDUNDANCY_REDUCED: {
        "from": 1,
        "to": 0,
        "first_seen": False,
        "members": ["dsk-b07"],
        "state": "DEGRADED",
    },
    AlertKind.ARRAY_GONE: {"since": _SINCE, "rebooted": True, "was_degraded": True},
    AlertKind.MEMBER_ERRORS: {"members": [{"name": "dsk-b02", "read": 3, "write": 0, "checksum": 7}]},
    AlertKind.REBUILD_UNDERWAY: {
        "members": ["dsk-b07"],
        "word": "resilver",
        "suspects": ["dsk-b07: its model is sold as drive-managed"],
        "drive": {"model": "EXAMPLE 4000", "serial": "S-0042", "size_bytes": 4_000_000_000_000, "rotational": True},
        "done": 0.2921,
        "rate_bytes_per_s": 71.4e6,
    },
    AlertKind.WINDOW_OVER_POLICY: {
        "reason": "projected",
        "level": 0,
        "elapsed_hours": 20.0,
        "window_hours": _WINDOW,
        "usual_hours": 15.4,
        "usual_basis": "its last 3 rebuilds",
        "previous_p90": _SINCE,
        "rate_bytes_per_s": 8.2e6,
        "done": 0.2921,
        "peer_hours": 15.4,
    },
    AlertKind.WINDOW_WITHIN_POLICY: {"level": 0, "window_hours": {"p10": 15.0, "p50": 17.0, "p90": 19.0}},
    AlertKind.REBUILD_STALLED: {
        "since": _SINCE,
        "for_hours": 0.7,
        "why_held": "frozen",
        "waiting": False,
        "done": 0.5,
    },
    AlertKind.REBUILD_MOVING: {"stood_hours": 3.5},
    AlertKind.REBUILD_RESTARTED: {"times_in_window": 2, "had_done": 0.61},
    AlertKind.REBUILD_ENDED: {
        "hours": 221.0,
        "rate_bytes_per_s": 71.4e6,
        "bytes": 4_000_000_000_000,
        "outcome": "finished",
        "errors": 0,
        "ended": "2026-03-10T08:29:00+00:00",
        "first_finish": {"p10": _SINCE, "p50": "2026-03-10T09:00:00+00:00", "p90": None},
        "first_finish_at": _SINCE,
        "window_closed": False,
        "still_open_for": "another rebuild is underway",
        "window_hours": 230.0,
    },
    AlertKind.REBUILD_FAILED: {"outcome": "cancelled", "hours": 12.5, "done": 0.4, "errors": 0},
    AlertKind.REDUNDANCY_RESTORED: {
        "hours": 221.0,
        "opened": "2026-03-01T03:30:00+00:00",
        "opened_known": False,
        "spare_in_use": ["spare-1"],
        "spares_free": 0,
    },
    AlertKind.LAYOUT_CHANGED: {"full_from": 1, "full_to": 2, "slots_from": 2, "slots_to": 3},
    AlertKind.SOURCE_BLIND: {
        "source": "zfs",
        "since": _SINCE,
        "error": "zpool status: no answer in 20 s",
        "hours": 1.0,
        "arrays": ["vault"],
    },
    AlertKind.SOURCE_SIGHTED: {"source": "zfs", "blind_hours": 1.5},
    AlertKind.CHANNEL_FAILING: {
        "channel": "ops",
        "since": _SINCE,
        "error": "503 from hooks.example.org",
        "attempts": 9,
    },
    AlertKind.TEST: {},
}
OF_SOURCES = {AlertKind.SOURCE_BLIND, AlertKind.SOURCE_SIGHTED}
OF_THE_AGENT = {AlertKind.CHANNEL_FAILING, AlertKind.TEST}
WHOLE = {AlertKind.REDUNDANCY_RESTORED, AlertKind.LAYOUT_CHANGED}
OF_RUNS = {kind for kind in AlertKind if kind.value.startswith(("rebuild-", "window-"))}


def alert(kind: AlertKind, level: Level = Level.PAGE, **changes: object) -> Alert:
    """An alert of this kind about the pool vault on store-1; changes win."""
    about_array = kind not in OF_SOURCES | OF_THE_AGENT
    made = Alert(
        id=f"{kind.value}-1",
        at=AT,
        kind=kind,
        level=level,
        condition=f"42/{kind.value}",
        reminder=0,
        host="store-1",
        system="" if kind in OF_THE_AGENT else "zfs",
        array="vault" if about_array else "",
        array_id="42" if about_array else "",
        rebuild="5f2c9a17b3d04e68a1c7f0d2" if kind in OF_RUNS else None,
        window="a03be1574cc94f21b8d65e90" if about_array else None,
        redundancy_left=(1 if kind in WHOLE else 0) if about_array else None,
        redundancy_full=1 if about_array else None,
        finish=END if kind in OF_RUNS else None,
        limit_hours=24.0 if kind.value.startswith("window-") else None,
        causes=(SHINGLED,) if kind in {AlertKind.WINDOW_OVER_POLICY, AlertKind.REBUILD_STALLED} else (),
        facts=dict(FACTS[kind]),
    )
    return replace(made, **changes)  # type: ignore[arg-type]
