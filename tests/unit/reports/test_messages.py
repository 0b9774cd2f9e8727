"""Alerts in words: one screen of a phone, nothing in it that could steer a terminal, a header or a page."""

from __future__ import annotations

import textwrap
import unicodedata
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mendwatch.model.alert import Alert, AlertKind, Fact, Level
from mendwatch.model.policy import ArrayPolicy
from mendwatch.model.records import Cause, Finding, Quantiles
from mendwatch.reports import published
from mendwatch.reports.messages import TITLE_LONGEST, render
from support.story import Story, array, mended, shares
from support.told_alerts import AT, FACTS, HELD_BACK, OF_SOURCES, OF_THE_AGENT, SHINGLED, ZONE, alert

HOSTILE = "a\x1b[2Jb\r\nBcc: x\u202etxt\u2028\x9b31m\u200b<script>alert('1')</script>\"&\x00\ud800"
PHONE_LINES, PHONE_COLUMNS = 25, 60
STEERING = {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}


def steering(text: str) -> set[str]:
    """The characters of a text that could steer something, its own line ends left out."""
    return {char for char in text if char != "\n" and unicodedata.category(char) in STEERING}


def phone_lines(text: str) -> int:
    return sum(max(1, len(textwrap.wrap(line, PHONE_COLUMNS))) for line in text.split("\n"))


class Page(HTMLParser):
    """What a mail reader sees of a page: its elements and its words."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: set[str] = set()
        self.words: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.add(tag)
        assert not [name for name, _ in attrs if name.startswith("on") or name in {"src", "href"}]

    def handle_data(self, data: str) -> None:
        self.words += data.split()


@pytest.mark.parametrize("level", Level)
@pytest.mark.parametrize("kind", AlertKind)
def test_every_kind_is_told(kind: AlertKind, level: Level) -> None:
    told = alert(kind, level)
    message = render(told, zone=ZONE)
    subject = "store-1 zfs: " if kind in OF_SOURCES else "store-1: " if kind in OF_THE_AGENT else "store-1 vault: "
    assert message.title.startswith(subject)
    assert message.title.removeprefix(subject)
    assert len(message.title) <= TITLE_LONGEST
    assert "None" not in message.title + message.text
    assert "not known" not in message.text, "all facts of this kind are given"
    assert message.alert is told
    assert message.data == published.alert(told, message.title, message.text)


@pytest.mark.parametrize("kind", AlertKind)
def test_a_kind_without_any_fact_is_told_all_the_same(kind: AlertKind) -> None:
    bare = alert(kind, facts={}, finish=None, limit_hours=None, redundancy_left=None, redundancy_full=None, causes=())
    message = render(bare, ZONE)
    assert "None" not in message.title + message.text
    assert message.title
    assert message.text


@pytest.mark.parametrize("kind", AlertKind)
def test_a_page_fits_on_one_screen_of_a_phone(kind: AlertKind) -> None:
    message = render(alert(kind, Level.PAGE, causes=(SHINGLED, HELD_BACK)), ZONE)
    assert phone_lines(message.text) <= PHONE_LINES


@pytest.mark.parametrize("kind", AlertKind)
def test_the_page_for_mail_says_the_same_words(kind: AlertKind) -> None:
    message = render(alert(kind, causes=(SHINGLED, HELD_BACK)), ZONE)
    page = Page(message.html)
    title, body = message.title.split(), message.text.split()
    assert page.words == [*title, *title, *body], "once as the page's title, once at its head, then the body"


def test_a_title_says_host_array_what_and_by_when() -> None:
    # 08:30 UTC and 48 h on the 10th of March is 09:30 in Berlin (CET, UTC+1; IANA time zone database).
    title = render(alert(AlertKind.WINDOW_OVER_POLICY), ZONE).title
    assert title == "store-1 vault: no redundancy left until about Thu 12 Mar 09:30, past the limit of 24 h"


@pytest.mark.parametrize(
    ("reason", "finish", "left", "title", "line"),
    [
        (
            "waiting",
            None,
            0,
            "nothing rebuilds, no redundancy left for 20 h (limit 24 h)",
            "No rebuild runs; 20 h have passed, 24 h are allowed.",
        ),
        (
            "outlived",
            None,
            1,
            "redundancy reduced for 20 h, past the limit of 24 h",
            "It has lasted 20 h; 24 h are allowed.",
        ),
        (
            "later",
            Quantiles(AT, None, None),
            0,
            "no redundancy left, no end in sight, past the limit of 24 h",
            "The end has moved later than last said (Tue 10 Mar 08:30).",
        ),
    ],
)
def test_each_reason_for_a_window_over_policy(
    reason: str, finish: Quantiles | None, left: int, title: str, line: str
) -> None:
    facts = {**FACTS[AlertKind.WINDOW_OVER_POLICY], "reason": reason}
    told = alert(AlertKind.WINDOW_OVER_POLICY, facts=facts, finish=finish, redundancy_left=left)
    message = render(told, ZONE)
    assert message.title == f"store-1 vault: {title}"
    assert line in message.text.split("\n")


def test_the_projection_names_its_range_and_the_zone() -> None:
    text = render(alert(AlertKind.WINDOW_OVER_POLICY), ZONE).text
    assert "Rebuild ends about Thu 12 Mar 09:30 Europe/Berlin" in text
    assert "(between Thu 12 Mar 01:30 and Fri 13 Mar 07:30)." in text
    assert "Projected to last 2 d 20 h in all (2 d 12 h to 3 d 18 h)." in text
    assert "Usual for this array: 15.4 h (its last 3 rebuilds)." in text


def test_an_end_out_of_sight_is_said_to_be() -> None:
    unseen = alert(AlertKind.REBUILD_STALLED, finish=Quantiles(None, None, None))
    assert "The end of the rebuild is not in sight." in render(unseen, ZONE).text
    early = alert(AlertKind.REBUILD_STALLED, finish=Quantiles(AT, None, None))
    assert "not in sight (at the earliest Tue 10 Mar 09:30)." in render(early, ZONE).text
    open_ended = alert(
        AlertKind.WINDOW_OVER_POLICY,
        finish=Quantiles(None, AT, None),
        facts={"window_hours": {"p10": 60, "p50": 68, "p90": None}},
    )
    assert "(between not known and not in sight)." in render(open_ended, ZONE).text
    assert "Projected to last 2 d 20 h in all (2 d 12 h to no end in sight)." in render(open_ended, ZONE).text
    slow = alert(AlertKind.WINDOW_OVER_POLICY, finish=Quantiles(AT, None, None), causes=(SHINGLED,))
    assert "If it stays: no end in sight; a drive like its peers" in render(slow, ZONE).text


def test_times_follow_the_change_of_the_clocks() -> None:
    # Summer time in the European Union begins at 01:00 UTC on the last Sunday of March (directive 2000/84/EC).
    change = datetime(2026, 3, 29, 1, 0, tzinfo=UTC)
    before = alert(AlertKind.REBUILD_UNDERWAY, finish=Quantiles(change, change - timedelta(minutes=1), change))
    after = alert(AlertKind.REBUILD_UNDERWAY, finish=Quantiles(change, change, change))
    assert "about Sun 29 Mar 01:59" in render(before, ZONE).text
    assert "about Sun 29 Mar 03:00" in render(after, ZONE).text


@pytest.mark.parametrize(
    ("left", "words"),
    [
        (None, "How many more drive failures it survives is not known."),
        (-1, "More is lost than the layout survives."),
        (0, "No redundancy left: one more drive failure loses data."),
        (1, "It surely survives 1 more drive failure."),
        (2, "It surely survives 2 more drive failures."),
    ],
)
def test_what_is_left_is_said_in_plain_words(left: int | None, words: str) -> None:
    assert render(alert(AlertKind.MEMBER_ERRORS, redundancy_left=left), ZONE).text.startswith(words)


def test_a_reminder_says_which_it_is() -> None:
    assert render(alert(AlertKind.REBUILD_STALLED, reminder=2), ZONE).title.endswith("(reminder 2)")


@pytest.mark.parametrize(
    ("changes", "thread"),
    [
        ({}, "5f2c9a17b3d04e68a1c7f0d2"),
        ({"rebuild": None}, "a03be1574cc94f21b8d65e90"),
        ({"rebuild": None, "window": None}, "42"),
        ({"rebuild": None, "window": None, "array_id": ""}, "store-1/zfs"),
    ],
)
def test_the_messages_of_one_story_share_a_thread(changes: dict[str, object], thread: str) -> None:
    assert render(alert(AlertKind.WINDOW_OVER_POLICY, Level.PAGE, **changes), ZONE).thread == thread


def test_a_long_list_of_names_is_counted_not_told() -> None:
    facts: dict[str, Fact] = {"members": [f"dsk-{n:02}" for n in range(40)], "first_seen": True}
    text = render(alert(AlertKind.REDUNDANCY_REDUCED, facts=facts), ZONE).text
    assert "Not good: dsk-00, dsk-01, dsk-02, dsk-03, dsk-04, dsk-05 and 34 more." in text
    assert "It was already so when it was first seen." in text


@pytest.mark.parametrize(
    ("outcome", "title"),
    [
        ("finished", "the rebuild has ended after 9 d 5 h"),
        ("finished-with-errors", "the rebuild has ended with errors after 9 d 5 h"),
    ],
)
def test_an_end_says_how_it_ended(outcome: str, title: str) -> None:
    facts = {**FACTS[AlertKind.REBUILD_ENDED], "outcome": outcome, "errors": 3}
    message = render(alert(AlertKind.REBUILD_ENDED, facts=facts), ZONE)
    assert message.title == f"store-1 vault: {title}"
    assert "Errors: 3." in message.text
    assert "Redundancy is not full yet: another rebuild is underway." in message.text


def test_an_end_that_closed_the_window_says_so() -> None:
    facts = {**FACTS[AlertKind.REBUILD_ENDED], "window_closed": True, "still_open_for": None}
    text = render(alert(AlertKind.REBUILD_ENDED, facts=facts, redundancy_left=1), ZONE).text
    assert "Redundancy is full." in text
    assert "not full yet" not in text


def test_a_rebuild_that_waits_is_not_said_to_stand_still() -> None:
    facts = {**FACTS[AlertKind.REBUILD_STALLED], "waiting": True}
    assert render(alert(AlertKind.REBUILD_STALLED, facts=facts), ZONE).title.endswith("waits behind another")


def told_names(name: str) -> dict[AlertKind, dict[str, Fact]]:
    """The facts of each kind with every text and every count in them replaced."""

    def with_name(value: Fact) -> Fact:
        match value:
            case bool():
                return value
            case str() | int():
                return name
            case list():
                return [with_name(entry) for entry in value]
            case dict():
                return {key: with_name(entry) for key, entry in value.items()}
            case _:
                return value

    return {kind: {key: with_name(value) for key, value in facts.items()} for kind, facts in FACTS.items()}


@pytest.mark.parametrize("kind", AlertKind)
def test_no_name_steers_anything(kind: AlertKind) -> None:
    facts = told_names(HOSTILE)[kind]
    for reason in ("waiting", "outlived", "later", HOSTILE):
        hostile = alert(
            kind,
            host=HOSTILE,
            array=HOSTILE,
            system=HOSTILE,
            array_id=HOSTILE,
            rebuild=HOSTILE,
            causes=(Finding(Cause.SLOW_READER, HOSTILE, 0.5, HOSTILE),),
            facts={**facts, "reason": reason},
        )
        message = render(hostile, ZONE)
        assert not steering(message.title)
        assert "\n" not in message.title
        assert not steering(message.text)
        assert not steering(message.html)
        assert Page(message.html).elements <= {"html", "head", "meta", "title", "body", "p", "strong", "br"}
        assert not [line for line in message.text.split("\n") if line.startswith("Bcc")]
        message.text.encode()
        message.html.encode()


NUMBERS = st.integers(-(2**64), 2**64) | st.floats() | st.just(10**400)
TEXTS = st.text(max_size=300) | st.sampled_from([HOSTILE, "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2026-03-10"])
LEAVES = st.none() | st.booleans() | NUMBERS | TEXTS
KEYS = sorted({key for facts in FACTS.values() for key in facts})
INNER = sorted({"name", "read", "write", "checksum", "model", "serial", "size_bytes", "p10", "p50", "p90"})
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=9) | st.dictionaries(st.sampled_from(INNER), inner, max_size=4),
    max_leaves=12,
)
TIMES = st.none() | st.datetimes(timezones=st.just(UTC))


@settings(max_examples=300, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(
    kind=st.sampled_from(AlertKind),
    level=st.sampled_from(Level),
    facts=st.dictionaries(st.sampled_from(KEYS) | st.text(max_size=5), VALUES, max_size=12),
    left=st.none() | st.integers(-9, 9),
    finish=st.none() | st.builds(Quantiles, TIMES, TIMES, TIMES),
    limit=st.none() | st.floats(),
    names=st.tuples(TEXTS, TEXTS, TEXTS),
    zone=st.sampled_from(["UTC", "Europe/Berlin", "America/St_Johns", "Pacific/Kiritimati"]),
)
def test_no_fact_keeps_a_message_from_being_told(
    kind: AlertKind,
    level: Level,
    facts: dict[str, Fact],
    left: int | None,
    finish: Quantiles | None,
    limit: float | None,
    names: tuple[str, str, str],
    zone: str,
) -> None:
    host, name, evidence = names
    made = replace(
        alert(kind, level),
        facts=facts,
        redundancy_left=left,
        finish=finish,
        limit_hours=limit,
        host=host,
        array=name,
        causes=(Finding(Cause.SLOW_WRITER, name, 0.7, evidence),),
    )
    message = render(made, zone)
    assert message.title
    assert len(message.title) <= TITLE_LONGEST
    assert "\n" not in message.title
    assert not steering(message.title + message.text)
    assert max(map(len, message.text.split("\n"))) < 320
    assert Page(message.html).elements <= {"html", "head", "meta", "title", "body", "p", "strong", "br"}
    assert (level is Level.PAGE) == ("no guarantee" in message.text)


@pytest.mark.parametrize("hours", [24.0, 1.0])
def test_the_alerts_of_a_played_story_are_told(hours: float) -> None:
    """The facts as the policy really makes them, not as this test thinks they are."""
    story = Story(policy=ArrayPolicy(window_limit_s={0: hours * 3600}))
    story.repeat(3, array())
    story.repeat(3, array(0))
    story.fill(shares(0.0, 0.9, 60), story.at)
    story.repeat(5, mended())
    assert {AlertKind.REDUNDANCY_REDUCED, AlertKind.REBUILD_UNDERWAY, AlertKind.REDUNDANCY_RESTORED} <= {
        told.kind for told in story.alerts
    }
    for told in story.alerts:
        message = render(told, ZONE)
        assert message.title.startswith("store-1 vault: ")
        assert "None" not in message.text
        assert phone_lines(message.text) <= PHONE_LINES


def underway(facts: dict[str, Fact]) -> Alert:
    return alert(AlertKind.REBUILD_UNDERWAY, facts=facts)


@pytest.mark.parametrize(
    ("facts", "line"),
    [
        ({"rate_bytes_per_s": 71.4e6}, "Lately 71.4 MB/s."),
        ({"done": 0.2921}, "29.2% done."),
        ({"drive": {"model": None, "serial": "S-1", "size_bytes": None}}, "New drive: S-1."),
        ({"members": ["d2"]}, "Rebuild of d2."),
    ],
)
def test_a_rebuild_is_described_by_what_is_known(facts: dict[str, Fact], line: str) -> None:
    assert line in render(underway(facts), ZONE).text.split("\n")


def test_a_drive_of_which_nothing_is_known_is_not_described() -> None:
    assert "New drive" not in render(underway({"drive": {}}), ZONE).text
