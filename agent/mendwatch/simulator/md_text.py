"""The scene as Linux md 6.12 shows it: /proc/mdstat with the kernel's own estimate, and the files in sysfs.

The estimate is the mean of the last 30 s carried on, in the kernel's integers (drivers/md/md.c, status_resync, 6.12).
"""

from __future__ import annotations

from uuid import UUID

from mendwatch.model.capture import FileRead, Read
from mendwatch.simulator.scenario import Drive
from mendwatch.simulator.scene import Scene

SYSTEM_MIN_KIB, SYSTEM_MAX_KIB = 1000, 200000
CHECKPOINTS = 16


def reads(scene: Scene, uuid: UUID) -> tuple[Read, ...]:
    """What one poll of this source brings in."""
    base = f"/sys/block/{scene.scenario.array_name}/md"
    total = scene.scenario.write_bytes // 512
    # The kernel's checkpoint moves by sixteenths only; /proc/mdstat is the fine count.
    checkpoint = int(scene.share * CHECKPOINTS) * (total // CHECKPOINTS)
    limit = scene.limit_bytes_per_s
    files = {
        "array_state": "active",
        "chunk_size": "524288",
        "component_size": str(scene.scenario.write_bytes // 1024),
        "degraded": str(scene.missing),
        "last_sync_action": "idle" if scene.began is None else "recover",
        "layout": "2",
        "level": scene.scenario.layout,
        "metadata_version": "1.2",
        "mismatch_cnt": "0",
        "raid_disks": str(scene.scenario.drives),
        "sync_action": "recover" if scene.rebuilding else "idle",
        "sync_completed": f"{checkpoint} / {total}" if scene.rebuilding else "none",
        "sync_max": "max",
        "sync_min": "0",
        "sync_speed": str(_speed_kib(scene)) if scene.rebuilding else "none",
        "sync_speed_max": f"{SYSTEM_MAX_KIB} (system)" if limit is None else f"{limit / 1024:.0f} (local)",
        "sync_speed_min": f"{SYSTEM_MIN_KIB} (system)",
        "uuid": str(uuid),
    }
    for slot, drive in _attached(scene):
        state = "faulty" if drive in scene.lost else "spare" if _filling(scene, drive) else "in_sync"
        files[f"dev-{drive.device}/state"] = state
        files[f"dev-{drive.device}/errors"] = "0"
        files[f"dev-{drive.device}/slot"] = "none" if drive in scene.lost else str(slot)
    return (
        FileRead("/proc/mdstat", mdstat(scene)),
        *(FileRead(f"{base}/{name}", f"{text}\n") for name, text in files.items()),
        FileRead("/proc/sys/dev/raid/speed_limit_min", f"{SYSTEM_MIN_KIB}\n"),
        FileRead("/proc/sys/dev/raid/speed_limit_max", f"{SYSTEM_MAX_KIB}\n"),
    )


def mdstat(scene: Scene) -> str:
    """The whole of /proc/mdstat."""
    scenario = scene.scenario
    blocks = scenario.write_bytes // 1024 * (scenario.drives - scenario.parity)
    whole = [drive not in scene.lost or (scene.ended is not None and drive == scene.lost[0]) for drive in scene.members]
    listed = " ".join(
        f"{drive.device}[{scenario.drives if drive == scene.new else slot}]{'(F)' if drive in scene.lost else ''}"
        for slot, drive in reversed(_attached(scene))
    )
    return (
        "Personalities : [raid6] [raid5] [raid4] \n"
        f"{scenario.array_name} : active {scenario.layout} {listed}\n"
        f"      {blocks} blocks super 1.2 level {scenario.layout[-1]}, 512k chunk, algorithm 2 "
        f"[{scenario.drives}/{sum(whole)}] [{''.join('U' if good else '_' for good in whole)}]\n"
        f"{_progress(scene)}"
        "      \n"
        "unused devices: <none>\n"
    )


def _attached(scene: Scene) -> list[tuple[int, Drive]]:
    """The drives in the array with their slots; a failed one that was replaced has been taken out."""
    attached = []
    for slot, drive in enumerate(scene.members):
        replaced = scene.new is not None and scene.lost[:1] == (drive,)
        attached.append((slot, scene.new if replaced and scene.new is not None else drive))
    return attached


def _filling(scene: Scene, drive: Drive) -> bool:
    return scene.rebuilding and drive == scene.new


def _speed_kib(scene: Scene) -> int:
    return int(scene.recent_bytes / 1024 / max(1.0, scene.recent_s))


def _progress(scene: Scene) -> str:
    if not scene.rebuilding:
        return ""
    done, total = int(scene.done_bytes) // 1024, scene.scenario.write_bytes // 1024
    permille = done * 1000 // (total + 1)
    recent_s, recent_sectors = max(1, int(scene.recent_s)), int(scene.recent_bytes) // 512
    left_s = (2 * (total - done) // (recent_sectors // 32 + 1)) * recent_s // 32
    bar = "=" * (permille // 50) + ">" + "." * (20 - permille // 50)
    return (
        f"      [{bar}]  recovery = {permille // 10:2d}.{permille % 10}% ({done}/{total}) "
        f"finish={left_s // 60}.{left_s % 60 // 6}min speed={_speed_kib(scene)}K/sec\n"
    )
