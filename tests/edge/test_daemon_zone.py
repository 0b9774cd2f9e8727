"""The host's time zone is found where the system keeps it; nonsense there is UTC."""

from __future__ import annotations

from pathlib import Path

import pytest

from mendwatch.daemon.zone import local_zone


@pytest.mark.parametrize(
    ("tz", "link", "zone"),
    [
        ("Europe/Lisbon", "Asia/Tokyo", "Europe/Lisbon"),
        (":Europe/Lisbon", None, "Europe/Lisbon"),
        ("", "Asia/Tokyo", "Asia/Tokyo"),
        ("Nowhere/Town", "Asia/Tokyo", "Asia/Tokyo"),
        ("../../etc/passwd", None, "UTC"),
        ("", "Nowhere/Town", "UTC"),
        ("", None, "UTC"),
    ],
)
def test_local_zone(tmp_path: Path, tz: str, link: str | None, zone: str) -> None:
    localtime = tmp_path / "localtime"
    if link is not None:
        localtime.symlink_to(tmp_path / "share" / "zoneinfo" / link)
    assert local_zone({"TZ": tz}, localtime) == zone
