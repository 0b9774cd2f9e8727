"""Which array of before is the one that is seen now."""

from __future__ import annotations

from dataclasses import replace

from mendwatch.model.observation import Array, IdKind
from mendwatch.model.state import ArrayState
from mendwatch.tracker import identity
from support.story import START, array


def named(name: str = "vault") -> Array:
    return array(name=name, id=name, id_kind=IdKind.NAME)


def known(*arrays: Array) -> dict[str, ArrayState]:
    return {a.id: ArrayState(a.id, a, identity.identity(a), START, START) for a in arrays}


def test_the_id_counts_whatever_the_name() -> None:
    found = identity.find(array(name="elsewhere"), known(array()))
    assert found is not None
    assert found.key == "42"


def test_a_name_alone_finds_the_array_of_that_name() -> None:
    found = identity.find(named(), known(array()))
    assert found is not None
    assert found.key == "42"


def test_an_id_learnt_later_belongs_to_the_array_known_by_name() -> None:
    found = identity.find(array(), known(named()))
    assert found is not None
    assert found.key == "vault"


def test_another_id_under_the_same_name_is_another_array() -> None:
    assert identity.find(array(id="99"), known(array())) is None


def test_keys_never_meet() -> None:
    assert identity.key_for(array(), known(array())) == "42#2"


def test_what_a_poll_lacks_is_carried_over() -> None:
    now = identity.carry_over(array(), replace(named(), level=None, redundancy_left=None, members=(), slots=None))
    assert (now.id, now.id_kind) == ("42", IdKind.POOL_GUID)
    assert (now.level, now.redundancy_left, len(now.members), now.slots) == ("raidz1", 1, 4, 4)


def test_a_lost_array_keeps_no_redundancy_of_before() -> None:
    assert identity.carry_over(array(), array(None, lost=True)).redundancy_left is None
