"""What can be wrong with the file: each makes one clear message, and the file stays as it is."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import textwrap
import threading
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from mendwatch.history import History, opening
from mendwatch.model.errors import HistoryError, HistoryHeldError
from mendwatch.model.records import SourceRecord
from mendwatch.model.store import Commit
from support.receivers import START, alert

AS_ROOT = os.geteuid() == 0


def poll(state: str = "{}") -> Commit:
    return Commit(SourceRecord("zfs", START, START, None, 0, ()), state)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "history.db"
    with History.open(path) as history:
        history.commit(poll("before"))
        history.add_alerts([alert(n) for n in range(200)], ())
    return path


def refused(path: Path, **how: bool) -> str:
    with pytest.raises(HistoryError) as refusal:
        History.open(path, **how).close()
    assert str(path) in str(refusal.value), "the message says where"
    return str(refusal.value)


@pytest.mark.parametrize("how", [{}, {"readonly": True}, {"exclusive": True}])
def test_a_file_of_something_else_is_left_alone(tmp_path: Path, how: dict[str, bool]) -> None:
    path = tmp_path / "notes.txt"
    path.write_bytes(b"my notes, not yours\n" * 100)
    assert "move it away" in refused(path, **how)
    assert path.read_bytes() == b"my notes, not yours\n" * 100


@pytest.mark.parametrize("how", [{}, {"readonly": True}])
def test_a_database_of_something_else_is_left_alone(tmp_path: Path, how: dict[str, bool]) -> None:
    path = tmp_path / "other.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE precious (x)")
    other.close()
    before = path.read_bytes()
    assert "not a history of this agent" in refused(path, **how)
    assert path.read_bytes() == before


def test_damage_is_found_when_the_daemon_opens_it(path: Path) -> None:
    content = bytearray(path.read_bytes())
    for place in range(4096 * 3, len(content), 4096):
        content[place : place + 200] = os.urandom(200)
    path.write_bytes(content)
    assert "it is damaged" in refused(path, exclusive=True)
    assert path.read_bytes() == bytes(content)


def test_a_file_that_was_cut_off_is_damaged(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5000])
    assert "it is damaged" in refused(path, exclusive=True)


@pytest.mark.parametrize("how", [{}, {"readonly": True}])
def test_a_later_schema_is_not_touched(path: Path, how: dict[str, bool]) -> None:
    later = sqlite3.connect(path)
    later.execute("PRAGMA user_version = 999")
    later.close()
    assert "a later version of the agent wrote it (schema 999" in refused(path, **how)


def test_an_earlier_schema_is_not_changed_by_a_reader(tmp_path: Path) -> None:
    path = tmp_path / "history.db"
    path.touch()
    assert "start the agent once" in refused(path, readonly=True)
    assert path.read_bytes() == b""


def test_a_reader_does_not_begin_a_history(tmp_path: Path) -> None:
    path = tmp_path / "none" / "history.db"
    assert "there is none yet" in refused(path, readonly=True)
    assert not path.parent.exists()


def test_a_reader_cannot_write(path: Path) -> None:
    with History.open(path, readonly=True) as history, pytest.raises(HistoryError, match="it cannot be written"):
        history.commit(poll())


def test_a_folder_where_none_can_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    assert "File exists" in refused(tmp_path / "file" / "history.db")
    assert "it cannot be opened" in refused(tmp_path)


def test_two_agents_never_write_one_history(path: Path) -> None:
    with History.open(path, exclusive=True) as history:
        with pytest.raises(HistoryHeldError, match=f"process {os.getpid()}"):
            History.open(path, exclusive=True)
        with History.open(path, readonly=True) as reader:
            history.commit(poll("after"))
            assert reader.states() == {"zfs": "after"}, "readers are not held up, and see it at once"
    History.open(path, exclusive=True).close()


def test_the_right_to_write_ends_with_the_process(path: Path) -> None:
    code = f"import os; from mendwatch.history import History; h = History.open({str(path)!r}, exclusive=True); "
    run = subprocess.run([sys.executable, "-c", code + "os._exit(9)"], check=False)
    assert run.returncode == 9
    History.open(path, exclusive=True).close()


def test_another_program_that_locks_it_is_named_as_the_cause(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(opening, "_BUSY_S", 0.2)
    other = sqlite3.connect(path, isolation_level=None)
    with History.open(path) as history:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(HistoryError, match="another program keeps it locked"):
            history.commit(poll("after"))
        other.execute("COMMIT")
        history.commit(poll("after"))
        assert history.states() == {"zfs": "after"}
    other.close()


def test_a_closed_history_says_so(path: Path) -> None:
    history = History.open(path)
    history.close()
    with pytest.raises(HistoryError, match="closed"):
        history.states()


def test_many_threads_may_use_it(path: Path) -> None:
    with History.open(path) as history:
        before = len(history.alerts())

        def work(first: int) -> None:
            for number in range(first, first + 25):
                history.add_alerts((alert(number),), ((alert(number).id, "ops"),))
                history.commit(poll(str(number)))
                assert history.due("ops", 5)

        threads = [threading.Thread(target=work, args=(1000 * n,)) for n in range(1, 5)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(history.alerts()) == before + 100


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    folder = tmp_path / "small"
    folder.mkdir()
    if not AS_ROOT:
        pytest.skip("mounting a small disk needs root")
    mount = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    mounted = subprocess.run(mount, check=False, capture_output=True, text=True)
    if mounted.returncode:
        pytest.skip(f"no small disk can be mounted here: {mounted.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def fill(file: Path) -> None:
    with suppress(OSError), file.open("wb", buffering=0) as filler:
        while True:
            filler.write(bytes(1024))


@pytest.mark.root
def test_a_full_disk_loses_nothing_that_was_stored(small_disk: Path) -> None:
    with History.open(small_disk / "history.db", exclusive=True) as history:
        history.commit(poll("before"))
        fill(small_disk / "filler")
        with pytest.raises(HistoryError, match="the disk is full; free some space"):
            history.commit(poll("x" * 50_000))
        assert history.states() == {"zfs": "before"}
        (small_disk / "filler").unlink()
        history.commit(poll("after"))
        assert history.states() == {"zfs": "after"}


@pytest.mark.root
def test_a_disk_that_turned_read_only_can_still_be_read(small_disk: Path) -> None:
    path = small_disk / "history.db"
    with History.open(path) as history:
        history.commit(poll("before"))
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    with History.open(path, readonly=True) as history:
        assert history.states() == {"zfs": "before"}
    assert "Read-only file system" in refused(path, exclusive=True)
    assert "it cannot be" in refused(path)


def test_a_writer_killed_at_any_moment_leaves_whole_polls(tmp_path: Path) -> None:
    """Each poll is one transaction: state and alerts of it are there together or not at all."""
    path = tmp_path / "history.db"
    code = textwrap.dedent(f"""
        from dataclasses import replace
        from mendwatch.history import History
        from support.receivers import alert
        from test_history_faults import poll
        with History.open({str(path)!r}, exclusive=True) as history:
            number = int(history.states().get("zfs", "0"))
            print("ready", flush=True)
            while True:
                number += 1
                told = alert(number)
                history.commit(replace(poll(str(number)), alerts=(told,), deliveries=((told.id, "ops"),)))
    """)
    here = Path(__file__).parent
    places = os.pathsep.join((str(here), str(here.parent)))
    reached = 0
    for pause_s in (0.0, 0.01, 0.03, 0.1, 0.02, 0.05):
        child = subprocess.Popen(
            [sys.executable, "-c", code], stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": places}
        )
        assert child.stdout is not None
        assert child.stdout.readline() == b"ready\n"
        threading.Event().wait(pause_s)
        child.kill()
        child.wait()
        child.stdout.close()
        with History.open(path, exclusive=True) as history:
            number = int(history.states().get("zfs", "0"))
            assert [told.id for told in history.alerts()] == [alert(n).id for n in range(1, number + 1)]
            assert len(history.due("ops", number + 9)) == number
            assert number >= reached
            reached = number
    assert reached > 0
