"""What a path stands on, from the kernel's list of mounts and a made-up tree of devices."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendwatch.daemon.preflight.places import Ground, array_beneath, ground, mount_of
from mendwatch.model.observation import Array, IdKind, Member, Role
from support.block_tree import BlockTree

# The form is that of proc(5), mountinfo; the lines are made up.
LISTED = "\n".join(
    [
        "22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw",
        "30 22 0:45 / /srv/vault rw,noatime - zfs vault/data rw,xattr",
        "31 22 0:46 /@ /srv/My\\040Books rw - btrfs /dev/sdd rw,subvolid=256,subvol=/@",
        "32 22 252:0 / /srv/volume rw shared:9 master:1 - ext4 /dev/mapper/group-volume rw",
        "33 22 0:60 / /scratch rw - tmpfs tmpfs rw",
        "34 33 8:99 / /scratch rw - ext4 /dev/later rw",
        "35 22 0:61 / /overlay rw - overlay overlay rw",
        "broken line",
    ]
)


def array(system: str, name: str, *members: str, device: str | None = None) -> Array:
    return Array(
        name=name,
        id=name,
        id_kind=IdKind.NAME,
        system=system,
        level=None,
        state="",
        redundancy_full=1,
        redundancy_left=1,
        why_unknown=None,
        spares_free=None,
        data_errors=None,
        members=tuple(Member(one, Role.DATA, None, None, "", good=True, rebuilding=False) for one in members),
        activities=(),
        last_activity=None,
        device=device,
    )


ZFS = array("zfs", "vault", "sde")
BTRFS = array("btrfs", "books", "/dev/sdc", "/dev/sdd")
MD = array("md", "md0", "sdb1", device="md0")
DM = array("dm-raid", "group/volume", "group-volume_rimage_0", device="dm-0")


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    made = BlockTree(tmp_path)
    for name in ("sda", "sdb", "sdc", "sdd"):
        made.disk(name)
    made.partition("sda", "sda1")
    made.partition("sdb", "sdb1")
    made.stacked("md0", ("sdb1",))
    made.stacked("dm-0", ("md0",))
    for number, name in {"8:1": "sda1", "252:0": "dm-0"}.items():
        (tmp_path / "sys/dev/block" / number).symlink_to(tmp_path / "sys/class/block" / name)
    for name in ("sdc", "sdd"):
        (tmp_path / "dev" / name).write_text("", encoding="ascii")
    (tmp_path / "mountinfo").write_text(LISTED, encoding="ascii")
    return tmp_path


@pytest.mark.parametrize(
    ("path", "point"),
    [
        ("/", "/"),
        ("/srv/vaulted/x", "/"),
        ("/srv/vault", "/srv/vault"),
        ("/srv/vault/state", "/srv/vault"),
        ("/srv/My Books/state", "/srv/My Books"),
    ],
)
def test_a_path_lies_in_the_nearest_mount_above_it(path: str, point: str) -> None:
    mount = mount_of(path, LISTED)
    assert mount is not None
    assert mount.point == point


def test_of_two_mounts_on_one_point_the_later_counts() -> None:
    mount = mount_of("/scratch/x", LISTED)
    assert mount is not None
    assert mount.device == "/dev/later"


def on(tree: Path, path: str) -> Ground:
    # Which folder exists on this machine is not the question here: the mount is looked up by the path alone.
    mounts = tree / "mountinfo"
    rows = [line.split(" ") for line in mounts.read_text(encoding="ascii").splitlines()]
    for row in rows:
        if len(row) > 4 and row[4] == path.replace(" ", "\\040"):
            row[4] = str(tree)
    mounts.write_text("\n".join(" ".join(row) for row in rows), encoding="ascii")
    return ground(tree / "not/there/yet", tree, mounts)


@pytest.mark.parametrize(
    ("path", "devices", "carries"),
    [
        ("/srv/vault", set[str](), ZFS),
        ("/srv/My Books", {"sdd"}, BTRFS),
        ("/srv/volume", {"dm-0", "md0", "sdb1", "sdb"}, MD),
        ("/overlay", set[str](), None),
        ("/", {"sda1", "sda"}, None),
    ],
)
def test_the_array_beneath_is_found(tree: Path, path: str, devices: set[str], carries: Array | None) -> None:
    found = on(tree, path)
    assert found.devices == devices
    assert array_beneath(found, (ZFS, BTRFS, MD), tree) == carries


def test_a_volume_of_the_device_mapper_is_found(tree: Path) -> None:
    assert array_beneath(on(tree, "/srv/volume"), (ZFS, BTRFS, DM), tree) == DM


def test_without_the_kernels_list_nothing_is_claimed(tree: Path) -> None:
    assert ground(tree, tree, tree / "none") == Ground(None, frozenset())
