"""The new drive took writes fast, then collapsed: saturated at a small fraction of its own earlier rate.

The signature (saturated new drive, requests many times slower than before, sources nearly idle, a saw-tooth from the
drive's own cleaning) is that of drive-managed shingled drives: bimodal throughput, Aghayev, Ts'o, Gibson and Desnoyers,
"Evolving Ext4 for Shingled Disks", FAST 2017 (abstract). The thresholds are measured on recordings, no source.
"""

from __future__ import annotations

from mendwatch.model.evidence import View, percent, speed
from mendwatch.model.records import Cause, Finding

FALLEN_BELOW = 0.35
FAR_BELOW = 0.2
SATURATED = 0.7
PEERS_IDLE = 0.6
SLOWER_WRITES = 3.0
SAW_TOOTH = 1.5
STILL_POLLS = 3


def judge(view: View) -> Finding | None:
    """The finding, None unless the whole signature is there and no error explains it."""
    target = view.target
    if target is None or target.best is None or not view.sources or not view.fallen_below(FALLEN_BELOW):
        return None
    if view.still_polls > STILL_POLLS:
        return None  # it takes nothing at all: that is a standstill, not a slow drive
    if target.errors is not None and (target.errors.write or target.errors.read):
        return None
    peers_busy = view.peers_busy
    if target.now.busy is None or target.now.busy < SATURATED or peers_busy > PEERS_IDLE:
        return None
    if target.now.ms_per_write is None or target.best.ms_per_write is None:
        return None
    if target.now.ms_per_write < SLOWER_WRITES * target.best.ms_per_write:
        return None
    confidence = 0.6 + 0.2 * view.fallen_below(FAR_BELOW) + 0.1 * (view.unsteady > SAW_TOOTH)
    evidence = (
        f"new drive {target.name}: {percent(target.now.busy)} busy at {speed(view.rate_bytes_per_s)}, "
        f"{target.now.ms_per_write:.0f} ms a write (before: {speed(view.best_bytes_per_s)}, "
        f"{target.best.ms_per_write:.0f} ms); its {len(view.sources)} peers: {percent(peers_busy)} busy"
    )
    return Finding(Cause.SHINGLED_WRITER, target.name, round(confidence, 2), evidence)
