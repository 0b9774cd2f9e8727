"""Texts as they reach a recording from elsewhere: through a terminal, quoted, with other options, without a GUID."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from mendwatch.model.capture import CommandRead, FileRead
from mendwatch.model.observation import Array, IdKind
from mendwatch.parsers.zfs import PARSER
from support.zfs_samples import MIRROR, RAIDZ_REPLACE, answer, capture, document, parse, pool

SCAN = (
    "  scan: resilver in progress since Mon Mar  2 08:15:09 2026\n"
    "\t14.2T / 21.8T scanned at 131M/s, 6.31T / 21.6T issued at 58.3M/s\n"
    "\t1.50T resilvered, 29.21% done, 3 days 04:23:24 to go\n"
)
TEXT = document(SCAN, RAIDZ_REPLACE + "\nlogs\t\n  mirror-1  ONLINE 0 0 0\n    x  ONLINE 0 0 0\n    y  ONLINE 0 0 0")
GUID = "7301442119850362217"
LISTED = ("zpool", "list", "-H", "-o", "name,guid")
AS_JSON = ("zpool", "status", "-j", "--json-int")


def indented(blanks: int) -> str:
    return "".join(" " * blanks + line for line in TEXT.expandtabs(8).splitlines(keepends=True))


@pytest.mark.parametrize(
    "text",
    [
        TEXT.expandtabs(8),  # common practice, no source: a terminal hands on eight blanks where a tab was printed
        TEXT.expandtabs(8).lstrip(),
        indented(4),
        indented(13),
        TEXT.replace("\n", "\r\n"),
        TEXT.replace("\n", " \n"),
        TEXT.replace("\t", ""),
    ],
)
def test_a_text_that_went_through_a_terminal_says_the_same(text: str) -> None:
    assert pool(text) == pool(TEXT)
    assert pool(text).redundancy_left == 0


def test_the_date_of_an_option_is_no_unread_line() -> None:
    for date in ("1772439309\n", "Mon Mar  2 08:15:09 UTC 2026\n"):
        assert pool(date + TEXT, "-T", "d") == pool(TEXT)


def test_a_prompt_before_the_output_is_reported_and_the_rest_is_read() -> None:
    seen = parse("root@store:~# zpool status\n" + TEXT)
    assert [line.line for line in seen.unread] == [1]
    assert seen.arrays == (pool(TEXT),)


def test_headings_of_an_older_table_that_carry_a_state() -> None:
    """Before the classes of vdevs, "logs" was printed as a row with counts (from memory)."""
    table = (
        "vault  ONLINE 0 0 0\n  mirror  ONLINE 0 0 0\n    a  ONLINE 0 0 0\n    b  ONLINE 0 0 0\n"
        "logs  ONLINE 0 0 0\n  c  ONLINE 0 0 0\nspares\n  s  AVAIL"
    )
    array = pool(document(table=table))
    assert (array.level, array.redundancy_full, array.redundancy_left, array.spares_free) == ("mirror", 1, 1, 1)
    assert [(one.name, one.role.value) for one in array.members][2:] == [("c", "log"), ("s", "spare")]


@pytest.mark.parametrize("options", [("-Pv",), ("-vs", "vault"), ("-P", "-L"), ("-c", "upath,model", "vault")])
def test_options_that_only_add_are_read(options: tuple[str, ...]) -> None:
    assert pool(TEXT, *options) == pool(TEXT)
    assert parse(TEXT, *options).complete is ("vault" not in options)


def test_one_letter_options_in_one_word() -> None:
    assert "JSON" in (parse(TEXT, "-jp").error or "")
    assert pool(TEXT, "-pv") == pool(TEXT)


def test_a_table_without_its_healthy_drives_tells_no_redundancy() -> None:
    array = pool(TEXT, "-e")
    assert array.redundancy_left is None
    assert "leaves drives out" in (array.why_unknown or "")


def test_only_what_is_not_healthy_is_read_where_nothing_else_was() -> None:
    assert pool(TEXT, "-x") == pool(TEXT)
    assert not parse(TEXT, "-x").complete
    other = document(name="shelf")
    seen = PARSER.parse(capture(answer(TEXT, "-x"), answer(other, "shelf")))
    assert [one.name for one in seen.arrays] == ["shelf"]


def test_of_several_answers_in_one_output_the_last_counts() -> None:
    """``zpool status 5 2`` prints one after the other."""
    later = TEXT.replace("29.21%", "31.00%")
    (run,) = pool(f"{TEXT}\n{later}", "5", "2").activities or ()
    assert run.done == pytest.approx(0.31)


@pytest.mark.parametrize("state", ["FAULTED", "UNAVAIL"])
def test_a_pool_that_serves_nothing_is_lost_whatever_its_drives_say(state: str) -> None:
    """With a bad intent log or a newer version all drives are ONLINE (libzfs_status.c); no line of errors follows."""
    array = parse(document(state=state, errors="").rstrip("\n") + "\n").arrays[0]
    assert (array.lost, array.redundancy_left, array.redundancy_full) == (True, -1, None)


def test_what_a_removed_vdev_leaves_behind_is_no_drive() -> None:
    array = pool(document(table=f"{MIRROR}\n  indirect-1  ONLINE 0 0 0"))
    assert (array.level, array.redundancy_full, array.redundancy_left, len(array.members)) == ("mirror", 1, 1, 2)


def test_vdevs_by_guid_hide_what_they_survive() -> None:
    """``-g`` prints raidz and mirrors as numbers too (lib/libzfs/libzfs_pool.c, zpool_vdev_name)."""
    table = (
        "vault  ONLINE 0 0 0\n  1234567890123456789  ONLINE 0 0 0\n"
        + "".join(f"    {number}  ONLINE 0 0 0\n" for number in (11, 12, 13, 14))
    )  # fmt: skip
    array = pool(document(table=table), "-g")
    assert (array.level, array.redundancy_full, array.redundancy_left) == (None, None, None)
    assert "1234567890123456789" in (array.why_unknown or "")


@pytest.mark.parametrize(("old", "new", "left"), [("ONLINE", "ONLINE", 0), ("FAULTED", "ONLINE", -1)])
def test_a_plain_drive_that_is_replaced_never_had_redundancy(old: str, new: str, left: int) -> None:
    table = f"vault  ONLINE 0 0 0\n  replacing-0  ONLINE 0 0 0\n    a  {old} 0 0 0\n    b  {new} 0 0 0"
    array = pool(document(SCAN, table))
    assert (array.level, array.redundancy_full, array.redundancy_left, array.slots) == ("stripe", 0, left, 1)


@pytest.mark.parametrize(
    ("argv", "stdout"),
    [
        (LISTED, f"shelf\t11\nvault\t{GUID}\n"),
        (("zpool", "get", "-Hp", "guid"), f"vault\tguid\t{GUID}\t-\n"),
    ],
)
def test_the_guid_of_a_pool_that_was_read_as_text(argv: tuple[str, ...], stdout: str) -> None:
    (array,) = PARSER.parse(capture(answer(TEXT, "-p"), CommandRead(argv, 0, stdout))).arrays
    assert (array.id, array.id_kind) == (GUID, IdKind.POOL_GUID)


@pytest.mark.parametrize(
    "read", [CommandRead(LISTED, 1, "", "oh"), CommandRead(("zpool", "list", "-Hp"), 0, "vault\t1")]
)
def test_a_list_that_does_not_tell_the_guid_changes_nothing(read: CommandRead) -> None:
    seen = PARSER.parse(capture(answer(TEXT, "-p"), read))
    assert (seen.arrays[0].id, seen.arrays[0].id_kind, seen.unread) == ("vault", IdKind.NAME, ())


def test_a_line_of_the_list_that_is_none_is_reported() -> None:
    seen = PARSER.parse(capture(answer(TEXT), CommandRead(LISTED, 0, f"what\nvault\t{GUID}\n\n")))
    assert [(line.line, line.text) for line in seen.unread] == [(1, "what")]


def told(array: Array) -> tuple[str, int | None, bool]:
    return array.name, array.redundancy_left, bool(array.why_unknown)


def test_one_pool_that_hangs_does_not_hide_the_others() -> None:
    hung = CommandRead(AS_JSON, None, error="no answer within 20 s")
    files = [FileRead(f"/proc/spl/kstat/zfs/{name}/state", "ONLINE\n") for name in ("vault", "stuck")]
    seen = PARSER.parse(capture(*files, hung, answer(TEXT, "vault")))
    assert [told(array) for array in seen.arrays] == [("vault", 0, False), ("stuck", None, True)]
    assert not seen.complete


def test_a_pool_that_the_kernel_has_and_zpool_leaves_out() -> None:
    """The list of pools can fail and end in "no pools available" all the same (cmd/zpool/zpool_iter.c)."""
    lost = FileRead("/proc/spl/kstat/zfs/vault/state", "ONLINE\n")
    seen = PARSER.parse(capture(lost, answer("", stderr="no pools available\n")))
    assert [told(array) for array in seen.arrays] == [("vault", None, True)]
    assert not seen.complete
    # Asked for one pool by name, it rightly says nothing of another.
    seen = PARSER.parse(capture(lost, answer(document(name="shelf"), "shelf")))
    assert [array.name for array in seen.arrays] == ["shelf"]


ENDED = "completed on Sun Mar  1 20:00:00 2026\n"
MAPPED = "\t12.4M memory used for removed device mappings\n"


@pytest.mark.parametrize(
    "lines",
    [
        f"remove: Removal of vdev 2 copied 1.20T in 9h50m, {ENDED}{MAPPED}",
        "remove: Removal of mirror-2 canceled on Sun Mar  1 20:00:00 2026\n",
        "expand: expanded raidz1-0 copied 1.20T in 09:50:11, on Sun Mar  1 20:00:00 2026\n",
    ],
)
def test_a_copy_that_has_ended_is_the_last_activity(lines: str) -> None:
    array = pool(document(lines))
    assert array.activities == ()
    last = array.last_activity
    assert last is not None
    assert last.kind.value == ("expand" if lines.startswith("expand") else "remove")
    assert last.outcome.value == ("cancelled" if "canceled" in lines else "finished")
    assert last.ended == datetime(2026, 3, 1, 20, tzinfo=UTC)


def test_a_copy_with_words_that_are_not_known_is_reported() -> None:
    running = "remove: Evacuation of mirror-1 in progress since Sun Mar  1 20:00:00 2026\n\tsomething new\n"
    seen = parse(document(running))
    assert [line.text for line in seen.unread] == ["\tsomething new"]
    assert [one.running for one in seen.arrays[0].activities or ()] == [True]
    assert parse(document("expand: oh\n")).unread


def test_the_old_form_without_a_duration() -> None:
    """The scrub line of the first releases (from memory)."""
    old = " scrub: resilver in progress, 11.90% done, 13h15m to go\n"
    (run,) = pool(document(old)).activities or ()
    assert run.done == pytest.approx(0.119)
    assert run.native_seconds_left == 13 * 3600 + 15 * 60


@pytest.mark.parametrize("first", [True, False])
def test_a_pool_whose_first_line_is_garbled_leaves_the_list_incomplete(*, first: bool) -> None:
    garbled = document(name="second").replace("pool:", "po0l:")
    assert parse(f"{TEXT}\n{document(name='second')}").complete
    assert not parse(f"{garbled}\n{TEXT}" if first else f"{TEXT}\n{garbled}").complete
