"""The error counters of btrfs devices, composed from the sources of btrfs-progs 6.19 (cmds/device.c)."""

import pytest

from mendwatch.model.capture import CommandRead
from support.btrfs_samples import BOTH, LOST_ONE, MOUNT, STATS, TWO, mirror, observe, only, run, show

QUOTED = '{"device": "/dev/sdb", "devid": "1", "write_io_errs": "1", "read_io_errs": "2", "corruption_errs": "24"}'


@pytest.mark.parametrize(
    ("options", "text", "code"),
    [
        ((), STATS, 0),
        (("-c",), STATS, 64),
        (("-c",), STATS, 65),
        (("--format", "json"), f'{{"__header": {{"version": "1"}}, "device-stats": [{QUOTED}]}}', 0),
        # Bare numbers since btrfs-progs 6.5.
        (
            ("--format", "json"),
            f'{{"device-stats": [{QUOTED}]}}'.replace('"1", "w', '1, "w').replace('"2"', "2").replace('"24"', "24"),
            0,
        ),
    ],
)
def test_error_counters_are_read_in_every_form(options: tuple[str, ...], text: str, code: int) -> None:
    argv = ("btrfs", *options, "device", "stats", MOUNT) if "json" in options else ()
    read = CommandRead(argv, code, text) if argv else run("device", "stats", *options, stdout=text, code=code)
    first, *_ = only(show(*LOST_ONE), read).members
    assert first.errors is not None
    assert (first.errors.write, first.errors.read, first.errors.checksum) == (1, 2, 24)


def test_the_counters_of_a_missing_device_go_by_its_number() -> None:
    _, gone = only(show(*LOST_ONE), run("device", "stats", stdout=STATS)).members
    assert gone.name == "devid 2"
    assert gone.errors is not None
    assert gone.errors.read == 3


def test_counters_that_begin_in_the_middle_are_read_as_far_as_they_go() -> None:
    cut = STATS.split("\n", 1)[1]
    first, *_ = only(show(*LOST_ONE), run("device", "stats", stdout=cut)).members
    assert first.errors is not None
    assert (first.errors.write, first.errors.read) == (None, 2)


@pytest.mark.parametrize("text", ['{"device-stats": [7]}', '{"device', "{}", '{"device-stats": [{"device": 1}]}'])
def test_counters_in_odd_json_are_told_and_cost_nothing_else(text: str) -> None:
    seen = observe(show(*TWO), mirror(BOTH), run("device", "stats", stdout=text))
    assert len(seen.unread) == 1
    assert seen.arrays[0].redundancy_left == 1
