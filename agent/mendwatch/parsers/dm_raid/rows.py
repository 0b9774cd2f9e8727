"""A report of ``lvs`` as rows: JSON in either of its standards, or the table that is printed for people.

Sources: lvmreport(7), lvs(8). In ``json`` every value is a text and an empty one means 'not applicable'; in
``json_std`` numbers are bare, undefined ones null and lists are arrays. Both may end with a ``log``.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping

from mendwatch.model.capture import CommandRead
from mendwatch.model.observation import Unread

Row = Mapping[str, str]

# The headings of the table, from lib/report/columns.h of LVM; others are of no use here.
HEADINGS = {
    "LV": "lv_name",
    "VG": "vg_name",
    "LV UUID": "lv_uuid",
    "Type": "segtype",
    "Attr": "lv_attr",
    "Health": "lv_health_status",
    "Cpy%Sync": "sync_percent",
    "Copy%": "sync_percent",
    "SyncAction": "raid_sync_action",
    "Mismatches": "raid_mismatch_count",
    "MinSync": "raid_min_recovery_rate",
    "MaxSync": "raid_max_recovery_rate",
    "Devices": "devices",
}
# What a cell of the table may hold; a line in which one holds something else is not in its columns.
CELLS = {
    "lv_name": re.compile(r"\[?[\w+.-]+\]?"),
    "vg_name": re.compile(r"[\w+.-]+"),
    "lv_attr": re.compile(r"[a-zA-Z-]{6,10}"),
    "sync_percent": re.compile(r"(?:\d{1,3}[.,]\d{1,2})?"),
    "segtype": re.compile(r"[\w+-]*"),
    "raid_sync_action": re.compile(r"[a-z]*"),
    "raid_mismatch_count": re.compile(r"\d*"),
}
# Said on the way by LVM's tools, of which some captures hold both outputs in one.
ASIDE = re.compile(r"\s*(?:WARNING: |Couldn't find device |/\S+: |File descriptor ).*")


def is_report(read: CommandRead) -> bool:
    """Whether this is an answer of lvs, called by itself or through lvm."""
    words = [word.rpartition("/")[2] for word in read.argv[:2]]
    return bool(words) and (words[0] == "lvs" or words == ["lvm", "lvs"]) and "--version" not in read.argv


def rows_of(read: CommandRead, unread: list[Unread]) -> tuple[Row, ...]:
    """The rows of one report; what is not understood is added to ``unread``."""
    lines = read.stdout.splitlines()
    start = next((at for at, line in enumerate(lines) if line.strip() and not ASIDE.fullmatch(line)), len(lines))
    if start < len(lines) and lines[start].lstrip().startswith("{"):
        return _from_json(lines[start:], start, unread)
    return tuple(_from_table(lines, unread))


def _from_json(lines: list[str], above: int, unread: list[Unread]) -> tuple[Row, ...]:
    try:
        parts = json.loads("\n".join(lines))["report"]
        rows = [row for part in parts for row in part.get("lv", ())]
        return tuple(_normal({str(key): _text(value) for key, value in row.items()}) for row in rows)
    except json.JSONDecodeError as error:
        at = min(error.lineno, len(lines))
        unread.append(Unread(above + at, lines[at - 1]))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        unread.append(Unread(above + 1, lines[0]))
    return ()


def _text(value: object) -> str:
    if value is None:
        return ""
    return ",".join(map(str, value)) if isinstance(value, list) else str(value)


def _normal(row: dict[str, str]) -> Row:
    """With one name for what has two, and without the brackets of a hidden volume."""
    if "copy_percent" in row:
        row.setdefault("sync_percent", row["copy_percent"])
    if "lv_name" in row:
        row["lv_name"] = row["lv_name"].strip("[]")
    return row


def _from_table(printed: list[str], unread: list[Unread]) -> Iterator[Row]:
    numbered = enumerate((line.expandtabs() for line in printed), start=1)
    lines = [(at, line) for at, line in numbered if line.strip() and ASIDE.fullmatch(line) is None]
    top = next((index for index, (_, line) in enumerate(lines) if "LV" in line.split()), len(lines))
    unread += [Unread(at, line) for at, line in lines[:top]]
    columns = _columns([line for _, line in lines[top:]])
    for at, line in lines[top + 1 :]:
        row = {name: line[start:end].strip() for name, (start, end) in columns.items()}
        if "lv_name" not in row or any(
            name in CELLS and CELLS[name].fullmatch(value) is None for name, value in row.items()
        ):
            unread.append(Unread(at, line))
        else:
            yield _normal(row)


def _columns(lines: list[str]) -> dict[str, tuple[int, int]]:
    """Where each known column stands: columns are parted by what is blank in every line, the heading's included."""
    if not lines:
        return {}
    filled = bytearray(max(map(len, lines)))
    for line in lines:
        for word in re.finditer(r"\S+", line):
            filled[word.start() : word.end()] = b"\1" * (word.end() - word.start())
    spans = [(run.start(), run.end()) for run in re.finditer(rb"\x01+", filled)]
    titled: list[tuple[str, int, int]] = []
    for start, end in spans:
        title = lines[0][start:end].strip()
        if title or not titled:
            titled.append((title, start, end))
        else:  # the later words of a cell, beyond its heading
            titled[-1] = (titled[-1][0], titled[-1][1], end)
    if any(_is_several(title) for title, _, _ in titled):
        return {}
    return {HEADINGS[title]: (start, end) for title, start, end in titled if title in HEADINGS}


def _is_several(title: str) -> bool:
    """Whether the text of some row runs across the columns, so that two headings look like one."""
    return title not in HEADINGS and ("  " in title or all(word in HEADINGS for word in title.split()))
