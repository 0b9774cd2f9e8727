"""What stands behind the members of made-up arrays on a made-up host."""

from __future__ import annotations

from mendwatch.daemon.clock import SystemClock
from mendwatch.model.capture import DriveFacts
from mendwatch.model.observation import Array, IdKind, Member, Role
from mendwatch.sources.disks import Behind, Disks
from support.block_tree import BlockTree


def array(*names: str, name: str = "vault", device: str | None = None) -> Array:
    members = tuple(Member(one, Role.DATA, None, None, "ONLINE", good=True, rebuilding=False) for one in names)
    return Array(
        name=name,
        id=name,
        id_kind=IdKind.NAME,
        system="zfs",
        level="mirror",
        state="ONLINE",
        redundancy_full=1,
        redundancy_left=1,
        why_unknown=None,
        spares_free=0,
        data_errors=0,
        members=members,
        activities=(),
        last_activity=None,
        device=device,
    )


def look(tree: BlockTree, *arrays: Array) -> Behind:
    return Disks(SystemClock(), tree.root).look(arrays, "boot-1")


def links(tree: BlockTree, *names: str) -> dict[str, tuple[str, ...]]:
    return look(tree, array(*names)).links


def facts(tree: BlockTree, name: str) -> DriveFacts:
    return look(tree, array(name)).drives[name]
