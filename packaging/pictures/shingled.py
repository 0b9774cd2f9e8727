"""Draws the README's picture of a shingled rebuild from what `mendwatch replay --json` says of a recording.

From the folder of this file, with matplotlib installed:
``mendwatch replay --json --config minutes.toml RECORDING | python shingled.py shingled.svg``
"""

from __future__ import annotations

import json
import sys
from datetime import datetime
from typing import Any

import matplotlib as mpl

mpl.use("svg")
import matplotlib.pyplot as plt

# Fixed, so that the same input draws the same bytes.
mpl.rcParams.update({"svg.hashsalt": "mendwatch", "svg.fonttype": "none", "font.family": "sans-serif", "font.size": 9})
INK, OURS, TOOL, LIMIT = "#222222", "#1b6e8c", "#b07d2b", "#a03030"


def main() -> None:
    """Read the lines, draw the two fields one above the other."""
    lines = [json.loads(line) for line in sys.stdin]
    polls = [line for line in lines if line["type"] == "progress"]
    pages = [line for line in lines if line["type"] == "alert" and line["kind"] == "window-over-policy"]
    window = next(line for line in lines if line["type"] == "window")
    opened = at(window["opened"])
    limit_min = pages[0]["limit_hours"] * 60

    def minute(text: str) -> float:
        return (at(text) - opened).total_seconds() / 60

    times = [minute(poll["at"]) for poll in polls]
    figure, (above, below) = plt.subplots(2, 1, figsize=(7.6, 5.6), sharex=True, height_ratios=(3, 2))
    told = [(t, poll["window_hours"]) for t, poll in zip(times, polls, strict=True) if whole(poll["window_hours"])]
    above.fill_between(
        [t for t, _ in told],
        [hours["p10"] * 60 for _, hours in told],
        [hours["p90"] * 60 for _, hours in told],
        color=OURS,
        alpha=0.2,
        linewidth=0,
        label="our projection, p10 to p90",
    )
    above.plot([t for t, _ in told], [hours["p50"] * 60 for _, hours in told], color=OURS, label="its middle")
    native = [(t, minute(poll["native_finish"])) for t, poll in zip(times, polls, strict=True) if poll["native_finish"]]
    above.plot(*zip(*native, strict=True), color=TOOL, linewidth=0.9, label="the kernel's own estimate")
    above.axhline(limit_min, color=LIMIT, linestyle="--", label=f"policy: {limit_min:g} min")
    above.axhline(window["hours"] * 60, color=INK, linewidth=0.8, linestyle=":", label="how long it really took")
    page = minute(pages[0]["at"])
    for axes in (above, below):
        axes.axvline(page, color=LIMIT, linewidth=0.9)
        axes.grid(visible=True, color="#dddddd", linewidth=0.6)
        axes.spines[["top", "right"]].set_visible(False)
    above.annotate(
        "page", (page, 0.04), xycoords=("data", "axes fraction"), xytext=(4, 0), textcoords="offset points", color=LIMIT
    )
    above.set_ylim(0, 2.2 * window["hours"] * 60)
    above.set_ylabel("length of the window, min")
    above.legend(loc="upper right", frameon=False, fontsize=8)

    below.plot(times, [100 * poll["done"] for poll in polls], color=INK)
    below.set_ylabel("done, %")
    below.set_ylim(0, 100)
    rates = below.twinx()
    rates.plot(times, [(poll["rate"] or 0) / 1e6 for poll in polls], color=OURS, linewidth=0.9)
    rates.set_ylabel("rate as judged, MB/s", color=OURS)
    rates.set_ylim(0, None)
    rates.spines["top"].set_visible(False)
    below.set_xlabel("minutes since redundancy was lost")
    figure.tight_layout()
    figure.savefig(sys.argv[1], metadata={"Date": None, "Creator": None})


def at(text: str) -> datetime:
    """A time of a line."""
    return datetime.fromisoformat(text)


def whole(hours: dict[str, Any] | None) -> bool:
    """Whether all three quantiles are in sight."""
    return hours is not None and None not in hours.values()


if __name__ == "__main__":
    main()
