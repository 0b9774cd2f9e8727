"""The recordings of whole rebuilds: real captures, each beside the truth of what was done and when."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

ENDING = ".jsonl.gz"
RECORDED = Path(__file__).parent.parent / "recorded"
FILES = {path.name.removesuffix(ENDING): path for path in sorted(RECORDED.glob(f"*/recording-*/*{ENDING}"))}


def truth(name: str) -> dict[str, Any]:
    """What is known of a recording."""
    path = FILES[name].with_name(f"{name}.truth.json")
    known: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return known
