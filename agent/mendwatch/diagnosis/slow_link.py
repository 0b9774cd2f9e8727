"""The new drive's link is the ceiling: it carries no more than it does now.

Ceilings: 8 of 10 bits on a SATA or SAS wire are data (both standards' line code), 128 of 130 on PCI Express from its
third generation on; USB 2.0 delivers some 40 MB/s of its 60 (common practice, no source).
"""

from __future__ import annotations

import re

from mendwatch.model.evidence import View, percent, speed
from mendwatch.model.records import Cause, Finding

LINK = re.compile(r"(?P<number>\d+(?:\.\d+)?) ?(?P<unit>Gbps|Gbit|Mbps|GT/s)(?:.* x(?P<lanes>\d+))?")
BITS_A_BYTE = 10.0
BITS_A_BYTE_PCIE3 = 8.125
PCIE3_FROM = 8.0
USB2_BYTES_PER_S = 40e6
USB2_MBPS = 480.0
NEAR, ABOVE = 0.7, 1.1
SATURATED = 0.85
PEERS_IDLE = 0.7
EVEN = 1.2
POLLS_LEAST = 6


def ceiling(link: str) -> float | None:
    """Bytes a second that a link carries, None where its words are not known."""
    match = LINK.search(link)
    if match is None:
        return None
    number, unit = float(match["number"]), match["unit"]
    if unit == "Mbps":
        return USB2_BYTES_PER_S if number == USB2_MBPS else number * 1e6 / BITS_A_BYTE
    coded = BITS_A_BYTE_PCIE3 if unit == "GT/s" and number >= PCIE3_FROM else BITS_A_BYTE
    return number * 1e9 / coded * int(match["lanes"] or 1)


def judge(view: View) -> Finding | None:
    """The finding, None unless the new drive is busy all the time, evenly, at what its link carries."""
    target = view.target
    most = ceiling(view.target_link) if view.target_link is not None else None
    if target is None or most is None or not view.rate_bytes_per_s or not view.sources or view.polls < POLLS_LEAST:
        return None
    if not NEAR * most <= view.rate_bytes_per_s <= ABOVE * most or view.unsteady > EVEN:
        return None
    peers_busy = view.peers_busy
    if target.now.busy is None or target.now.busy < SATURATED or peers_busy > PEERS_IDLE:
        return None
    evidence = (
        f"new drive {target.name}: its link runs at {view.target_link}, which carries about {speed(most)}; it takes "
        f"{speed(view.rate_bytes_per_s)}, {percent(target.now.busy)} busy; its {len(view.sources)} peers: "
        f"{percent(peers_busy)} busy"
    )
    return Finding(Cause.SLOW_LINK, target.name, 0.8, evidence)
