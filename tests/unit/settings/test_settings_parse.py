"""A configuration's text in, settings or every problem out."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mendwatch.model.errors import Problem, SettingsError
from mendwatch.model.policy import ArrayPolicy
from mendwatch.settings import ProgramSettings, Settings, SourceSettings, parse

HOUR = 3600.0
CHANNEL = '[[channel]]\nname = "ops"\nkind = "webhook"\nurl = "https://hooks.example.org/storage"\n'
MAIL = """\
[[channel]]
name = "mail"
kind = "email"
server = "mail.example.org"
from = "store-1@example.org"
to = ["oncall@example.org"]
"""


def problems(text: str) -> tuple[Problem, ...]:
    with pytest.raises(SettingsError) as caught:
        parse(text, "mendwatch.toml")
    assert caught.value.file == "mendwatch.toml"
    return caught.value.problems


def only(text: str) -> Problem:
    found = problems(text)
    assert len(found) == 1, found
    return found[0]


def test_nothing_said_gives_the_defaults_of_the_contract() -> None:
    settings = parse("", "mendwatch.toml")
    assert (settings.host.name, settings.host.root, settings.host.state_dir) == (None, "/", "/var/lib/mendwatch")
    assert (settings.polling.idle_s, settings.polling.rebuild_s) == (60.0, 30.0)
    assert {name: source.enabled for name, source in settings.sources.items()} == dict.fromkeys(
        ("zfs", "md", "btrfs", "dm-raid")
    )
    assert settings.channels == ()
    policy = settings.to_policy("store-1")
    assert policy.host == "store-1"
    assert policy.default == ArrayPolicy(None, 1200.0, 600.0, (4 * HOUR, 12 * HOUR, 24 * HOUR))
    assert policy.arrays == ()
    assert policy.named_sources == ()


def test_every_fixed_key_arrives() -> None:
    settings = parse(
        """
        [host]
        name = "store-1"
        root = "/host"
        state_dir = "/srv/state"
        [polling]
        idle = "2m"
        rebuild = "10s"
        [source.zfs]
        enabled = true
        command = "/usr/sbin/zpool"
        timeout = "45s"
        [source.dm-raid]
        enabled = false
        [policy]
        window_limit = { left_0 = "24h", left_1 = "3d" }
        stall_after = "25m"
        blind_after = "5m"
        remind_after = ["1h"]
        """
        + CHANNEL
        + 'levels = ["page"]\n'
        + MAIL,
        "mendwatch.toml",
    )
    assert (settings.host.name, settings.host.root, settings.host.state_dir) == ("store-1", "/host", "/srv/state")
    assert (settings.polling.idle_s, settings.polling.rebuild_s) == (120.0, 10.0)
    zfs = settings.sources["zfs"]
    assert isinstance(zfs, SourceSettings)
    assert (zfs.enabled, zfs.command, zfs.timeout_s) == (True, "/usr/sbin/zpool", 45.0)
    policy = settings.to_policy("store-1")
    assert policy.default == ArrayPolicy({0: 24 * HOUR, 1: 72 * HOUR}, 1500.0, 300.0, (HOUR,))
    assert policy.named_sources == ("zfs",)
    assert [(channel.name, channel.kind) for channel in settings.channels] == [("ops", "webhook"), ("mail", "email")]
    assert settings.channels[0].options == {"url": "https://hooks.example.org/storage", "levels": ["page"]}


def test_an_array_takes_from_policy_what_it_does_not_say() -> None:
    policy = parse(
        """
        [policy]
        window_limit = { left_0 = "24h" }
        stall_after = "25m"
        [[array]]
        name = "rotated-*"
        may_leave = true
        redundancy_full = 1
        [[array]]
        name = "rotated-b"
        window_limit = "auto"
        watch = false
        """,
        "mendwatch.toml",
    ).to_policy("store-1")
    assert policy.for_array("rotated-a") == ArrayPolicy({0: 24 * HOUR}, 1500.0, may_leave=True, redundancy_full=1)
    assert policy.for_array("rotated-b") == ArrayPolicy(None, 1500.0, watch=False)
    assert policy.for_array("vault") == ArrayPolicy({0: 24 * HOUR}, 1500.0)


def test_all_problems_are_told_at_once_in_the_order_of_the_file() -> None:
    found = problems(
        """
        [policy]
        stall_after = 20
        window_limt = "auto"
        [host]
        root = "host"
        [[channel]]
        name = "mail"
        kind = "email"
        server = "mail.example.org"
        from = "store-1@example.org"
        to = []
        port = 70000
        [[array]]
        window_limit = { left_0 = 24, left_x = "24h" }
        """
    )
    assert [problem.where for problem in found] == [
        "policy.stall_after",
        "policy.window_limt",
        "host.root",
        "channel[1] (mail).to",
        "channel[1] (mail).port",
        "array[1].window_limit.left_0",
        "array[1].window_limit.left_x",
        "array[1].name",
    ]
    assert all(problem.what and problem.right for problem in found)


@pytest.mark.parametrize(
    ("text", "where", "what", "right"),
    [
        ("[hots]", "hots", "unknown key", 'did you mean "host"?'),
        ("[host]\nnmae = 'x'", "host.nmae", "unknown key", 'did you mean "name"?'),
        ("[source.zsf]", "source.zsf", "unknown storage system", 'did you mean "zfs"?'),
        ("[source.raid]", "source.raid", "unknown storage system", 'did you mean "dm-raid"?'),
        ("[source.qqq]", "source.qqq", "unknown storage system", "known here: btrfs, dm-raid, md, zfs"),
        ("[policy]\nstall_after = 20", "policy.stall_after", "no unit", '"20s" if seconds are meant'),
        ("[policy]\nstall_after = '20 minutes'", "policy.stall_after", "no duration", '"20m"'),
        ("[policy]\nremind_after = ['4h', 12]", "policy.remind_after[2]", "no unit", '"12s"'),
        ("[policy]\nremind_after = '4h'", "policy.remind_after", "not a list", 'remind_after = ["4h", "12h", "24h"]'),
        ("[policy]\nstall_after = '10s'", "policy.stall_after", "shorter than the time between", "30s"),
        ("[policy]\nwindow_limit = '24h'", "policy.window_limit", "is no limit", 'write "auto" or a table'),
        ("[policy]\nwindow_limit = {}", "policy.window_limit", "empty", "at least left_0"),
        ("[policy]\nwindow_limit = { left_9 = '1h' }", "policy.window_limit.left_9", "unknown key", "left_0"),
        ("[policy]\nwindow_limit = { left_0 = '80h', left_1 = '72h' }", "policy.window_limit", "longer than", "swap"),
        ("[polling]\nidle = '4s'", "polling.idle", "4s is out of range", "5s to 15m"),
        ("[polling]\nrebuild = '1h'", "polling.rebuild", "1h is out of range", "5s to 15m"),
        ("[source.md]\ntimeout = '10m'", "source.md.timeout", "10m is out of range", "1s to 9m"),
        ("[source.md]\nenabled = 'yes'", "source.md.enabled", "not true or false", "enabled = true"),
        ("[source.md]\nenabled = 1", "source.md.enabled", "not true or false", "enabled = true"),
        ("[source.zfs]\ncommand = 'zpool'", "source.zfs.command", "not an absolute path", "begin it with /"),
        ("[host]\nstate_dir = ''", "host.state_dir", "not an absolute path", "begin it with /"),
        ('[host]\nname = "a\\u001bb"', "host.name", "cannot be a name", "visible characters"),
        ("[host]\nname = 2026-01-01", "host.name", "not a text", 'name = "store-1"'),
        ("host = 1", "host", "not a table", "[host]"),
        ("source = 1", "source", "not a table", "[source.zfs]"),
        ("source.zfs = 1", "source.zfs", "not a table", "[source.zfs]"),
        ("[array]\nname = 'x'", "array", "not a list of tables", "[[array]]"),
        ("array = [1]", "array[1]", "not a table", "[[array]]"),
        ("channel = [1]", "channel[1]", "not a table", "[[channel]]"),
        ("[[array]]\nwatch = false", "array[1].name", "is missing", 'name = "rotated-*"'),
        ("[[array]]\nname = ''", "array[1].name", "matches no array", "backup-*"),
        ("[[array]]\nname = 'x'\nredundancy_full = '1'", "array[1] (x).redundancy_full", "whole number", "= 1"),
        ("[[array]]\nname = 'x'\nredundancy_full = -1", "array[1] (x).redundancy_full", "out of range", "at least 0"),
        ("[[array]]\nname = 'x'\nstall_after = '1s'", "array[1] (x).stall_after", "shorter than the time", "30s"),
        ("[[channel]]\nname = 'x'", "channel[1] (x).kind", "is missing", 'kind = "webhook"'),
        ("[[channel]]\nname = 'x'\nkind = 'mail'", "channel[1] (x).kind", "no kind of channel", "email"),
        (MAIL + "levels = []", "channel[1] (mail).levels", "is empty", "at least one"),
        (MAIL + "levels = ['pages']", "channel[1] (mail).levels[1]", "not known here", "'page' or 'notice'"),
        (MAIL + "port = '587'", "channel[1] (mail).port", "not a whole number", "port = 587"),
        (MAIL + "port = 0", "channel[1] (mail).port", "out of range", "at least 1"),
        (MAIL + "security = 'ssl'", "channel[1] (mail).security", "not known here", "starttls"),
        (MAIL + "user = 'x'", "channel[1] (mail)", "belong together", "both or neither"),
        (
            MAIL + "user = 'x'\npassword_file = '/x'\nsecurity = 'none'",
            "channel[1] (mail)",
            "without TLS",
            "starttls or tls",
        ),
        (CHANNEL + MAIL.replace('"mail"', '"ops"'), "channel[2] (ops).name", "channel[1] has this name", "of its own"),
        (CHANNEL.replace("https://", ""), "channel[1] (ops).url", "no web address", "https://"),
        (CHANNEL.replace("https", "ftp"), "channel[1] (ops).url", "no web address", "https://"),
        (CHANNEL.replace("https", "http"), "channel[1] (ops).url", "plain http", "allow_plain_http = true"),
        (CHANNEL + "levels = ['page']\nlevles = 1", "channel[1] (ops).levles", "unknown key", 'did you mean "levels"?'),
    ],
)
def test_a_refusal_says_where_what_and_what_would_be_right(text: str, where: str, what: str, right: str) -> None:
    problem = only(text)
    assert problem.where == where
    assert what in problem.what
    assert right in problem.right


@pytest.mark.parametrize(
    "text",
    [
        CHANNEL.replace("https://hooks.example.org", "http://127.0.0.1:8080"),
        CHANNEL.replace("https", "http") + "allow_plain_http = true",
        MAIL + "security = 'none'",
        "[policy]\nwindow_limit = { left_1 = '1h' }",
        "[policy]\nwindow_limit = { left_0 = '1h', left_1 = '1h' }",
        "[policy]\nremind_after = []",
        "[polling]\nrebuild = '5s'\n[policy]\nstall_after = '5s'",
    ],
)
def test_what_is_unusual_but_possible_is_taken(text: str) -> None:
    assert isinstance(parse(text, "mendwatch.toml"), Settings)


def test_an_unknown_key_does_not_hide_a_contradiction_beside_it() -> None:
    text = MAIL + "user = 'x'\npassword_file = '/x'\nsecurity = 'none'\npassword = 'open sesame'\n"
    unknown, contradiction = sorted(problems(text), key=lambda problem: problem.what, reverse=True)[:2]
    assert {unknown.where, contradiction.where} == {"channel[1] (mail).password", "channel[1] (mail)"}
    assert "open sesame" not in "".join(str(problem) for problem in problems(text))


@pytest.mark.parametrize(
    ("text", "where"),
    [
        ("[host]\nname = ", "the end of the file"),
        ("[host]\nname = store-1\n", "line 2, column 8"),
        ("[host]\n\n[host]\n", "line 3, column 6"),
        ("[host]\nname = 'a'\nname = 'b'\n", "line 3, column 11"),
        ("[host", "the end of the file"),
    ],
)
def test_broken_toml_is_told_with_its_place(text: str, where: str) -> None:
    problem = only(text)
    assert problem.where == where
    assert problem.what.startswith("not valid TOML: ")
    assert "(at " not in problem.what


def test_plug_ins_bring_sources_and_channels_that_check_themselves() -> None:
    text = """
    [source.tape]
    enabled = true
    [[channel]]
    name = "phone"
    kind = "telephone"
    number = 5550100
    """
    settings = parse(text, "mendwatch.toml", sources=("tape",), channel_kinds=("telephone",))
    assert settings.sources["tape"].enabled is True
    assert settings.channels[0].options == {"number": 5550100}
    assert {problem.where for problem in problems(text)} == {"source.tape", "channel[1] (phone).kind"}
    with pytest.raises(SettingsError, match="levels"):
        parse(text + 'levels = ["all"]', "f", sources=("tape",), channel_kinds=("telephone",))


def test_a_program_of_the_owner_s_is_a_source_by_its_argv() -> None:
    settings = parse('[source.trays]\nargv = ["/bin/trays", "-a"]\nuser = "daemon"\ntimeout = "5s"', "mendwatch.toml")
    trays = settings.sources["trays"]
    assert isinstance(trays, ProgramSettings)
    assert (trays.argv, trays.user, trays.timeout_s, trays.enabled) == (("/bin/trays", "-a"), "daemon", 5.0, True)
    assert settings.to_policy("store-1").named_sources == ("trays",)


@pytest.mark.parametrize(
    ("table", "where", "what"),
    [
        ("argv = []", "source.trays.argv", "the list is empty"),
        ('argv = ["/bin/trays", "a\\u0000"]', "source.trays.argv", "a word holds a NUL"),
        ('argv = ["trays"]', "source.trays.argv", "'trays' is not the absolute path of a program"),
        ('argv = ["/bin/"]', "source.trays.argv", "'/bin/' is not the absolute path of a program"),
        ('argv = ["/bin/trays"]\nuser = "root"', "source.trays.user", "root has every right"),
        ('argv = ["/bin/trays"]\nuser = " "', "source.trays.user", "cannot be a name"),
    ],
)
def test_what_is_wrong_with_a_program_is_told(table: str, where: str, what: str) -> None:
    problem = only(f"[source.trays]\n{table}\n")
    assert problem.where == where
    assert what in problem.what


keys = st.sampled_from(["host", "polling", "policy", "source", "array", "channel", "name", "kind", "timeout", "x y"])
values: st.SearchStrategy[object] = st.recursive(
    st.one_of(st.integers(), st.booleans(), st.text(max_size=5), st.floats(allow_nan=False), st.dates()),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(keys, inner, max_size=3)),
    max_leaves=8,
)


def toml(document: dict[str, object]) -> str:
    return "\n".join(f"{quoted(key)} = {inline(value)}" for key, value in document.items())


def quoted(text: str) -> str:
    escaped = "".join(c if c.isalnum() and c.isascii() else f"\\U{ord(c):08X}" for c in text)
    return f'"{escaped}"'


def inline(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, list):
        return f"[{', '.join(map(inline, value))}]"
    if isinstance(value, dict):
        return f"{{ {', '.join(f'{quoted(key)} = {inline(item)}' for key, item in value.items())} }}"
    return str(value)


def refused(text: str) -> tuple[Problem, ...]:
    """The problems of a text; anything but a SettingsError comes through, and one without problems is a fault."""
    try:
        parse(text, "mendwatch.toml")
    except SettingsError as error:
        return error.problems or (Problem("", "", ""),)
    return ()


@given(st.dictionaries(keys, values, max_size=4))
def test_whatever_the_document_holds_only_problems_come_out(document: dict[str, object]) -> None:
    text = toml(document)
    assert tomllib.loads(text) == document
    assert all(problem.where and problem.what and problem.right for problem in refused(text))


@given(st.text(max_size=40))
def test_whatever_the_text_is_only_problems_come_out(text: str) -> None:
    assert all(problem.where and problem.what and problem.right for problem in refused(text))
