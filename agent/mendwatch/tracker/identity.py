"""Which array of before is the one that is seen now, and what carries over when a poll lacks a reading.

An array is known by the best id that the storage system gives (pool GUID, array UUID, filesystem UUID); a name is
used only where nothing better was read. The key under which the history knows an array stays what it was when the
array was first seen, also when a better id is learnt later or the array is renamed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from mendwatch.model.observation import Array, IdKind, Member
from mendwatch.model.state import ArrayState


def find(array: Array, known: Mapping[str, ArrayState]) -> ArrayState | None:
    """The known array that this one is, None if it is new.

    A name matches only where one side has nothing better: a pool destroyed and made again under its name has another
    GUID and is another array.
    """
    if array.id_kind is not IdKind.NAME:
        known_as = identity(array)
        for state in known.values():
            if state.known_as == known_as:
                return state
    names = {array.name, *array.aliases}
    same_name = [state for state in known.values() if names & {state.array.name, *state.array.aliases}]
    if array.id_kind is not IdKind.NAME:
        same_name = [state for state in same_name if state.array.id_kind is IdKind.NAME]
    return max(same_name, key=lambda state: state.seen, default=None)


def identity(array: Array) -> str:
    """The id with its kind, so that ids of unlike kinds never meet."""
    return f"{array.id_kind.value}:{array.id}"


def key_for(array: Array, known: Mapping[str, ArrayState]) -> str:
    """The key of a new array: its id, made unique where an id of another array is the same text."""
    key = array.id
    number = 2
    while key in known:
        key = f"{array.id}#{number}"
        number += 1
    return key


def carry_over(before: Array, now: Array) -> Array:
    """This poll's array with what it lacks taken from the poll before: missing is unknown, never a change."""
    better_id = now.id_kind is not IdKind.NAME or before.id_kind is IdKind.NAME
    return replace(
        now,
        name=now.name if better_id else before.name,
        aliases=now.aliases or before.aliases,
        id=now.id if better_id else before.id,
        id_kind=now.id_kind if better_id else before.id_kind,
        level=now.level if now.level is not None else before.level,
        redundancy_full=now.redundancy_full if now.redundancy_full is not None else before.redundancy_full,
        redundancy_left=(
            now.redundancy_left if now.redundancy_left is not None or now.lost else before.redundancy_left
        ),
        spares_free=now.spares_free if now.spares_free is not None else before.spares_free,
        data_errors=now.data_errors if now.data_errors is not None else before.data_errors,
        members=_members(before, now) or before.members,
        activities=now.activities if now.activities is not None else before.activities,
        last_activity=now.last_activity if now.last_activity is not None else before.last_activity,
        slots=now.slots if now.slots is not None else before.slots,
        member_bytes=now.member_bytes if now.member_bytes is not None else before.member_bytes,
        settings=now.settings or before.settings,
        remarks=now.remarks if now.remarks is not None else _still_true(before, now),
        device=now.device if now.device is not None else before.device,
    )


def _members(before: Array, now: Array) -> tuple[Member, ...]:
    """The members of this poll; one that is as good as before stands on the drive that was named then."""
    drives = {member.name: member.drive for member in before.members if member.good}
    return tuple(
        replace(member, drive=drives.get(member.name)) if member.drive is None and member.good else member
        for member in now.members
    )


def _still_true(before: Array, now: Array) -> tuple[str, ...] | None:
    """What was remarked on members holds for as long as they are in the same states."""
    was, is_now = ([(member.name, member.state) for member in array.members] for array in (before, now))
    return before.remarks if was == is_now or not now.members else None
