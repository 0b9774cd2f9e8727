"""A plug-in's code, whatever it does, costs its own source and nothing else."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psutil
import pytest
from typer.testing import CliRunner

from mendwatch.cli import app
from mendwatch.model.capture import Capture, FileRead
from mendwatch.model.errors import ParseError, SourceError
from mendwatch.model.observation import Observation
from mendwatch.model.plugin import Command, File
from mendwatch.settings import SourceSettings
from mendwatch.sources import registry
from mendwatch.sources.plugin import Plugin
from support.stage import Agent, Hook, Host

AT = datetime(2026, 3, 1, 2, 3, tzinfo=UTC)
# A storage system that does what it reads.
OBEDIENT = """
import os, re, sys, time
from datetime import datetime, timedelta
from mendwatch.model.errors import ParseError
from mendwatch.model.observation import *
from mendwatch.model.plugin import *

def array(**kw):
    told = dict(name="a", id="a", id_kind=IdKind.NAME, system="trays", level=None, state="ok", redundancy_full=1,
        redundancy_left=1, why_unknown=None, spares_free=None, data_errors=None, members=(), activities=(),
        last_activity=None)
    return Array(**{**told, **kw})

class Obedient:
    name = "trays"
    program = "trays-tool"
    present_if = ("/proc/trays",)
    def wants(self, reads):
        return eval(reads[0].text) if reads else (File("/proc/trays"),)
    def parse(self, capture):
        told = eval(capture.reads[0].text)
        return Observation(capture.at, capture.source, (told,)) if isinstance(told, Array) else told

PARSER = Obedient()
"""


def install(site: Path, name: str, source: str) -> str:
    """A distribution with one storage system; the value of its entry point."""
    module = f"example_{name}"
    (site / f"{module}.py").write_text(source)
    info = site / f"{module}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[mendwatch.parsers]\n{name} = {module}:PARSER\n")
    return f"{module}:PARSER"


@pytest.fixture(scope="module")
def obedient(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plugin]:
    site = tmp_path_factory.mktemp("site")
    value = install(site, "trays", OBEDIENT)
    sys.path.insert(0, str(site))
    plugin = Plugin("trays", value, 1.0)
    plugin.meet()
    yield plugin
    sys.path.remove(str(site))


def told(plugin: Plugin, text: str) -> Observation:
    return plugin.parse(Capture(AT, "trays", (FileRead("/proc/trays", text),)))


def test_it_answers_as_if_it_were_here(obedient: Plugin) -> None:
    assert (obedient.program, obedient.present_if) == ("trays-tool", ("/proc/trays",))
    assert obedient.wants(()) == (File("/proc/trays"),)
    asked = '[Command(("trays-tool", "-a"), seldom="x"), File("/proc/é"), File("/proc/é")]'
    wanted = obedient.wants((FileRead("/proc/trays", asked),))
    assert wanted == (Command(("trays-tool", "-a"), seldom="x"), File("/proc/é"), File("/proc/é"))
    (array,) = told(obedient, "array(name='Bücher', data_errors=2, remarks=('x',))").arrays
    assert (array.name, array.data_errors, array.remarks) == ("Bücher", 2, ("x",))


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1 / 0", "failed in parse: ZeroDivisionError('division by zero')"),
        ("sys.exit(0)", "failed in parse: SystemExit(0)"),
        ("os._exit(3)", "ended itself with exit code 3 in parse"),
        ("os.kill(os.getpid(), 11)", "was ended by signal 11 in parse"),
        # The interpreter's lock is held for as long as an expression is matched: no thread of ours could end it.
        ("re.match('(a*)*b', 'a' * 60)", "gave no answer within 1 s in parse"),
        ("5", "failed in parse: what it says cannot be used"),
        ("None", "failed in parse: what it says cannot be used"),
        ("Observation(capture.at, 'trays', (5,))", "failed in parse: what it says cannot be used: arrays.0: "),
        ("array(redundancy_left='1')", "failed in parse: what it says cannot be used: arrays.0.redundancy_left: "),
        (
            "Observation(capture.at, 'trays', (), (Unread(1, 'x' * 999),) * 9999)",
            "failed in parse: more than 8388608 bytes",
        ),
        ("array(state='x' * (2 << 30))", "failed in parse: MemoryError()"),
        ("array(name='')", "arrays[0]: without a name or an id"),
        ("array(data_errors=-1)", "arrays[0].data_errors: -1 is negative"),
        ("array(data_errors=1 << 70)", "arrays[0].data_errors: out of range"),
        ("Observation(capture.at, 'trays', (array(), array(name='b')))", "arrays[1].id: 'a' is the id of another"),
        ("(_ for _ in ()).throw(ParseError('no trays here'))", "no trays here"),
    ],
)
def test_what_goes_wrong_in_parse_is_the_reason_why_nothing_is_known(obedient: Plugin, text: str, why: str) -> None:
    with pytest.raises(ParseError) as raised:
        told(obedient, text)
    assert why in str(raised.value)
    assert told(obedient, "array()").arrays[0].name == "a", "the next poll finds it well again"


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1 / 0", "failed in wants: ZeroDivisionError"),
        ("5", "wants returned int, not a tuple"),
        ("('zpool',)", "failed in wants: what it says cannot be used: 0"),
        ("(Command(('/bin/sh', '-c', 'true')),)", "does not begin with the bare name of a program"),
        ("(File('etc/trays'),)", "no absolute path"),
        ("(Files('/**'),)", "would search a whole tree"),
        ("(File(f'/proc/{n}') for n in range(10 ** 12))", "wants more than 100000 readings"),
        ("(_ for _ in ()).throw(ParseError('no'))", "the plug-in trays: no"),
    ],
)
def test_what_goes_wrong_in_wants_is_the_reason_why_nothing_is_read(obedient: Plugin, text: str, why: str) -> None:
    with pytest.raises(SourceError) as raised:
        obedient.wants((FileRead("/proc/trays", text),))
    assert why in str(raised.value)


def test_what_it_prints_goes_nowhere(obedient: Plugin, capfd: pytest.CaptureFixture[str]) -> None:
    assert told(obedient, "print('x' * 10 ** 7) or os.write(2, b'x' * 10 ** 6) and array()").arrays
    assert capfd.readouterr() == ("", "")


def test_times_to_come_are_not_known_and_a_time_that_is_slightly_ahead_is_that_of_the_poll(obedient: Plugin) -> None:
    run = "array(last_activity=LastActivity(ActivityKind.SCRUB, 'scrub', LastOutcome.FINISHED, capture.at + {}))"
    ends = []
    for ahead in ("timedelta(days=9)", "timedelta(seconds=1)", "timedelta(seconds=-1)"):
        (array,) = told(obedient, run.format(ahead)).arrays
        assert array.last_activity is not None
        ends.append(array.last_activity.ended)
    assert ends == [None, AT, AT - timedelta(seconds=1)]


def test_more_redundancy_than_there_can_be_is_no_knowledge(obedient: Plugin) -> None:
    (array,) = told(obedient, "array(redundancy_left=2, redundancy_full=1)").arrays
    assert (array.redundancy_left, array.why_unknown) == (None, "told to survive 2 losses, and 1 at its best")


def test_its_process_ends_with_its_parser(obedient: Plugin) -> None:
    site = Path(sys.path[0])
    plugin = Plugin("trays", "example_trays:PARSER", 1.0)
    plugin.meet()
    pid = int(told(plugin, "array(state=str(os.getpid()))").arrays[0].state)
    assert site.is_dir()
    os.kill(pid, 0)
    del plugin
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_one_that_is_switched_off_is_not_even_loaded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    install(tmp_path, "trays", f"open({str(tmp_path / 'loaded')!r}, 'w').close()\n{OBEDIENT}")
    monkeypatch.syspath_prepend(str(tmp_path))
    found = registry.load({"trays": SourceSettings(enabled=False)})
    assert "trays" not in {*found.parsers, *found.failed, *found.stand_ins}
    assert not (tmp_path / "loaded").exists()
    assert "trays" in registry.load().parsers
    assert (tmp_path / "loaded").exists()


BAD = {
    "sleeper": "import time\ntime.sleep(600)\n",
    "leaver": "import sys\nsys.exit('gone')\n",
    "crasher": "import os\nos._exit(7)\n",
    "spinner": OBEDIENT.replace('"trays"', '"spinner"').replace(
        "told = eval", "re.match('(a*)*b', 'a' * 60)\n        told = eval"
    ),
    "liar": OBEDIENT.replace('"trays"', '"liar"').replace("told = eval", "told = 5 or eval"),
    "thrower": OBEDIENT.replace('"trays"', '"thrower"').replace(
        "return eval", "raise KeyboardInterrupt\n        return eval"
    ),
}
REASONS = {
    "sleeper": "the plug-in sleeper gave no answer within 1 s while it was loaded",
    "leaver": "example_leaver:PARSER fails to load: SystemExit('gone')",
    "crasher": "the plug-in crasher ended itself with exit code 7 while it was loaded",
    "spinner": "the plug-in spinner gave no answer within 1 s in parse",
    "liar": "the plug-in liar failed in parse: what it says cannot be used",
    "thrower": "the plug-in thrower failed in wants: KeyboardInterrupt()",
}


def test_a_running_agent_goes_on_beside_plug_ins_of_every_bad_kind(tmp_path: Path) -> None:
    site = tmp_path / "site"
    site.mkdir()
    for name, source in BAD.items():
        install(site, name, source)
    host = Host(tmp_path / "root", "md-6.12-collapse-A")
    host.show(0)
    (host.root / "proc/trays").write_text("()")
    tables = "".join(f'[source.{name}]\nenabled = true\ntimeout = "1s"\n' for name in BAD if name != "leaver")
    with contextlib.closing(Hook()) as hook:
        config = tmp_path / "mendwatch.toml"
        config.write_text(
            f'[host]\nroot = "{host.root}"\nstate_dir = "{tmp_path / "state"}"\n'
            '[polling]\nidle = "5s"\nrebuild = "5s"\n'
            f"[source.btrfs]\nenabled = false\n[source.dm-raid]\nenabled = false\n{tables}"
            f'[[channel]]\nname = "ops"\nkind = "webhook"\nurl = "{hook.url}"\n'
        )
        agent = Agent(config, tmp_path / "log", PYTHONPATH=str(site))
        try:
            host.show(host.poll_where("[UU_U]"))
            agent.until(lambda: "redundancy-reduced" in hook.kinds(), 20, "md is followed")

            def blind() -> dict[str, str]:
                lines = [line for line in agent.said() if line.get("event") == "the source cannot be read"]
                return {line["source"]: line["why"] for line in lines}

            agent.until(lambda: len(blind()) == len(BAD), 20, f"{len(BAD)} blind sources")
            for name, why in REASONS.items():
                assert why in blind()[name]
            said = [line for line in agent.said() if "fault of our own" in str(line.get("event"))]
            assert said == []
            status = CliRunner().invoke(app, ["status", "--history", str(tmp_path / "state/history.db"), "--json"])
            sources = {source["source"]: source["error"] for source in json.loads(status.stdout)["sources"]}
            assert REASONS["leaver"] in sources["leaver"], "it is shown though nobody asked for it by name"
            theirs = psutil.Process(agent.process.pid).children()
            assert theirs
            assert agent.stop(signal.SIGTERM) < 5
            _, alive = psutil.wait_procs(theirs, 2)
            assert alive == [], "no process of a plug-in outlives the agent"
        finally:
            agent.close()
