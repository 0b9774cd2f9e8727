"""Which configuration counts, and what is said when it cannot be read."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from mendwatch.daemon.configfile import load
from mendwatch.model.errors import SettingsError, UsageError


def named(folder: Path, host: str) -> Path:
    file = folder / f"{host}.toml"
    file.write_text(f'[host]\nname = "{host}"\n', encoding="utf-8")
    return file


def test_the_option_goes_before_the_environment_and_that_before_the_usual_place(tmp_path: Path) -> None:
    option, environment, usual = (named(tmp_path, host) for host in ("option", "environment", "usual"))
    environ = {"MENDWATCH_CONFIG": str(environment)}
    assert load(option, environ, usual).settings.host.name == "option"
    assert load(None, environ, usual).settings.host.name == "environment"
    assert load(None, {"MENDWATCH_CONFIG": ""}, usual).settings.host.name == "usual"
    none = load(None, {}, tmp_path / "none.toml")
    assert (none.settings.host.name, none.file) == (None, None)


def test_one_that_is_named_must_be_there(tmp_path: Path) -> None:
    for option, environ in ((tmp_path / "none.toml", {}), (None, {"MENDWATCH_CONFIG": str(tmp_path / "none.toml")})):
        with pytest.raises(UsageError, match=r"none\.toml: cannot read the configuration \(No such file"):
            load(option, environ, named(tmp_path, "usual"))


def test_a_folder_is_no_configuration(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="Is a directory"):
        load(tmp_path, {}, tmp_path)


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root to become somebody else")
def test_one_that_we_may_not_read_is_not_taken_for_none(tmp_path: Path) -> None:
    """The service's folder is closed to others: to go on with the defaults there would be a wrong answer."""
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o700)
    usual = named(closed, "usual")
    child = os.fork()
    if child == 0:
        os.setresuid(65534, 65534, 65534)
        try:
            load(None, {}, usual)
        except UsageError as error:
            os._exit(0 if "Permission denied" in str(error) else 1)
        os._exit(2)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0


@pytest.mark.parametrize(
    ("raw", "why"), [(b"[host]\nname = '\xff'\n", "byte 16 is not UTF-8"), (b"#" * (1 << 20) + b"#", "more than 1 MiB")]
)
def test_what_is_no_text_is_refused(tmp_path: Path, raw: bytes, why: str) -> None:
    file = tmp_path / "mendwatch.toml"
    file.write_bytes(raw)
    with pytest.raises(UsageError, match=why):
        load(file, {})


def test_what_editors_elsewhere_leave_is_taken(tmp_path: Path) -> None:
    file = tmp_path / "mendwatch.toml"
    file.write_bytes(b'\xef\xbb\xbf[host]\r\nname = "store-1"\r\n')
    assert load(file, {}).settings.host.name == "store-1"


def test_problems_name_the_file(tmp_path: Path) -> None:
    file = tmp_path / "mendwatch.toml"
    file.write_text("[hots]\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"mendwatch\.toml: hots: unknown key"):
        load(file, {})
