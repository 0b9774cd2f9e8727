"""Why a rebuild is slow, with figures; no cause rather than a wrong one.

:func:`begin`, :func:`update` once for each sample, :func:`findings` whenever the reason is asked for. Every cause is
one file that judges the same :class:`mendwatch.model.evidence.View`; none knows another.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import exp

from mendwatch.diagnosis import (
    busy_host,
    not_moving,
    scattered_layout,
    shingled_writer,
    slow_link,
    slow_reader,
    slow_writer,
    throttled,
)
from mendwatch.diagnosis.facts import suspect_lines
from mendwatch.model.capture import DriveFacts
from mendwatch.model.evidence import SLOW_BELOW, DiagnosisState, DriveMeans, DriveView, View
from mendwatch.model.observation import Activity, ActivityKind, Array, Member
from mendwatch.model.records import Finding, MemberSample, Sample

__all__ = ["DiagnosisState", "begin", "findings", "suspect_lines", "update"]

CAUSES = (not_moving, shingled_writer, slow_link, slow_writer, slow_reader, scattered_layout, busy_host, throttled)
MEAN_OVER_POLLS = 6.0
POLLS_BEFORE_BEST = 6
PACE_WEIGHT = 0.2
MEANS_OUTLIVE_POLLS = 6
STANDS_LEAST_S = 300.0
STANDS_POLLS = 12
STANDS_TIMES_LONGEST = 3.0


def begin() -> DiagnosisState:
    """The state before the first sample."""
    return DiagnosisState()


def update(state: DiagnosisState, sample: Sample, array: Array) -> DiagnosisState:
    """The state one sample later; ``array`` is as the same poll shows it."""
    filled = tuple(member.name for member in sample.members if member.filling) or _fills(array)
    if sample.observed_s <= 0:
        return replace(state, filled=filled, still_s=0.0)
    pace_s = state.pace_s + PACE_WEIGHT * (sample.observed_s - state.pace_s) if state.pace_s else sample.observed_s
    weight = 1.0 - exp(-sample.observed_s / (MEAN_OVER_POLLS * pace_s))
    now = {member.name: _drawn(state.now.get(member.name), member, weight) for member in sample.members}
    taken = [member.write_bytes_per_s for member in sample.members if member.filling]
    rate = sum(known) if (known := [one for one in taken if one is not None]) else None
    moved = sample.moved or bool(rate and state.best_bytes_per_s and rate > state.best_bytes_per_s / 100)
    if moved and state.still_s > MEANS_OUTLIVE_POLLS * state.pace_s > 0:
        # It moves again after a long standstill: means that reach back into it would tell of a crawl that never was.
        longest_s = max(state.longest_still_s, state.still_s)
        return replace(
            state, still_s=0.0, longest_still_s=longest_s, slow_polls=0, rate_bytes_per_s=None, mean_square=None, now={}
        )
    mean = _mean(state.rate_bytes_per_s, rate, weight)
    polls = state.polls + 1
    is_best = mean is not None and polls >= POLLS_BEFORE_BEST and mean > (state.best_bytes_per_s or 0.0)
    best = mean if is_best else state.best_bytes_per_s
    is_slow = mean is not None and best is not None and mean < SLOW_BELOW * best
    return DiagnosisState(
        pace_s=round(pace_s, 3),
        polls=polls,
        still_s=0.0 if moved else state.still_s + sample.observed_s,
        longest_still_s=max(state.longest_still_s, state.still_s) if moved else state.longest_still_s,
        filled=filled,
        rate_bytes_per_s=mean,
        mean_square=_mean(state.mean_square, None if rate is None else rate * rate, weight),
        best_bytes_per_s=best,
        slow_polls=state.slow_polls + 1 if is_slow else 0,
        now=now,
        best=now if is_best else state.best,
    )


def findings(
    state: DiagnosisState, array: Array, drives: Mapping[str, DriveFacts] | None = None
) -> tuple[Finding, ...]:
    """The causes that the evidence carries, surest first.

    Args:
        state: after the latest sample.
        array: as the latest poll shows it.
        drives: what the kernel knows of the drive behind each member, by member name.
    """
    view = _view(state, array, drives or {})
    if view.stands or view.held is not None:
        # Where nothing moves the drives' rates say nothing of why.
        return tuple(found for found in (not_moving.judge(view),) if found is not None)
    judged = [cause.judge(view) for cause in CAUSES]
    return tuple(sorted((found for found in judged if found is not None), key=lambda found: -found.confidence))


def _mean(before: float | None, value: float | None, weight: float) -> float | None:
    if value is None or before is None:
        return before if value is None else round(value, 3)
    return round(before + weight * (value - before), 3)


def _drawn(before: DriveMeans | None, member: MemberSample, weight: float) -> DriveMeans:
    old = before or DriveMeans()
    return DriveMeans(
        read_bytes_per_s=_mean(old.read_bytes_per_s, member.read_bytes_per_s, weight),
        write_bytes_per_s=_mean(old.write_bytes_per_s, member.write_bytes_per_s, weight),
        ms_per_read=_mean(old.ms_per_read, member.ms_per_read, weight),
        ms_per_write=_mean(old.ms_per_write, member.ms_per_write, weight),
        busy=_mean(old.busy, member.busy, weight),
        bytes_per_read=_mean(old.bytes_per_read, member.bytes_per_read, weight),
    )


def _view(state: DiagnosisState, array: Array, drives: Mapping[str, DriveFacts]) -> View:
    members = {member.name: member for member in array.members}
    targets = [_drive(state, members.get(name), name) for name in state.filled if name in state.now]
    target = max(targets, key=lambda drive: drive.now.busy or 0.0, default=None)
    group = members[target.name].group if target is not None and target.name in members else None
    square = state.rate_bytes_per_s**2 if state.rate_bytes_per_s else 0.0
    longest_s = max(STANDS_LEAST_S, STANDS_POLLS * state.pace_s, STANDS_TIMES_LONGEST * state.longest_still_s)
    activity = _activity(state, array)
    return View(
        target=target,
        sources=tuple(
            _drive(state, member, member.name)
            for member in array.members
            if member.good and member.group == group and member.name in state.now and member.name not in state.filled
        ),
        rate_bytes_per_s=state.rate_bytes_per_s,
        best_bytes_per_s=state.best_bytes_per_s,
        slow_polls=state.slow_polls,
        polls=state.polls,
        unsteady=state.mean_square / square if state.mean_square is not None and square else 1.0,
        settings=tuple(setting for setting in array.settings if setting.slows),
        still_s=state.still_s,
        still_polls=state.still_s / state.pace_s if state.pace_s else 0.0,
        stands=state.still_s >= longest_s,
        target_link=drives[target.name].link if target is not None and target.name in drives else None,
        held=None if activity is None or activity.running else activity.why_held or "it does not run",
    )


def _drive(state: DiagnosisState, member: Member | None, name: str) -> DriveView:
    return DriveView(name, state.now[name], state.best.get(name), None if member is None else member.errors)


def _rebuilds(array: Array) -> list[Activity]:
    return [activity for activity in array.activities or () if activity.kind is ActivityKind.REBUILD]


def _activity(state: DiagnosisState, array: Array) -> Activity | None:
    rebuilds = _rebuilds(array)
    own = [activity for activity in rebuilds if set(activity.fills) & set(state.filled)]
    return next(iter(own or rebuilds), None)


def _fills(array: Array) -> tuple[str, ...]:
    return tuple(name for activity in _rebuilds(array) for name in activity.fills)
