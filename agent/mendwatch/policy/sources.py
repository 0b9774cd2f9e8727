"""Alerts about a source that cannot be read or judged."""

from __future__ import annotations

from mendwatch.model.alert import AlertKind, Fact
from mendwatch.model.state import Event, EventKind
from mendwatch.policy.due import Docket, page_if

BLIND_PAGE_S = 24 * 3600.0


def judge(docket: Docket, events: tuple[Event, ...]) -> None:
    """Raise ``source-blind`` for a source that had arrays or is enabled by name, and say when it is read again."""
    track = docket.track
    if track.blind_since is None:
        stood = docket.end("source/blind/")
        seen = next((event for event in events if event.kind is EventKind.SIGHTED), None)
        if stood and seen is not None:
            facts: dict[str, Fact] = {"source": track.source, **seen.facts}
            condition = f"source/sighted/{docket.at.isoformat()}"
            level = page_if(wake=False)
            docket.raise_once(AlertKind.SOURCE_SIGHTED, level, condition, None, facts=facts, stands=False)
        return
    matters = bool(track.arrays) or track.source in docket.policy.named_sources
    if not matters or track.blind_s < docket.policy.default.blind_after_s:
        return
    degraded = any(state.window is not None or state.rebuilds for state in track.arrays.values())
    level = page_if(degraded or track.blind_s >= BLIND_PAGE_S)
    condition = f"source/blind/{track.blind_since.isoformat()}/{level.value}"
    if condition in docket.standing or f"source/blind/{track.blind_since.isoformat()}/page" in docket.standing:
        return
    docket.end("source/blind/")
    blind: dict[str, Fact] = {
        "source": track.source,
        "since": track.blind_since.isoformat(),
        "error": track.blind_error,
        "hours": track.blind_s / 3600,
        "arrays": [state.array.name for state in track.arrays.values()],
    }
    docket.raise_once(AlertKind.SOURCE_BLIND, level, condition, None, facts=blind)
