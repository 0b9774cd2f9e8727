"""``mendwatch preflight``: is all in place for the agent to do its work?"""

from __future__ import annotations

import json as jsonlib
from typing import Annotated

import typer

from mendwatch.cli.common import ConfigOption, JsonOption
from mendwatch.daemon.clock import SystemClock
from mendwatch.daemon.preflight import Check, Verdict, inspect
from mendwatch.reports.clean import clean
from mendwatch.settings import sample as sample_file

Sample = Annotated[bool, typer.Option("--sample", help="Print a configuration with every key explained, and end.")]

# What is to be done stands at the end of a line that may hold several paths.
_LONGEST = 2000
_WORDS = {Verdict.FINE: "ok   ", Verdict.NOTE: "note ", Verdict.FAULT: "FAULT"}


def command(config: ConfigOption = None, json: JsonOption = False, sample: Sample = False) -> None:  # noqa: FBT002 - flags
    """Check configuration, sources, rights, channels and state directory; each line says what is fine or what to do."""
    if sample:
        typer.echo(sample_file(), nl=False)
        return
    faults = 0
    for check in inspect(config, SystemClock()):
        faults += check.verdict is Verdict.FAULT
        typer.echo(_json(check) if json else _text(check))
    if not json:
        typer.echo(f"\n{faults} fault{'' if faults == 1 else 's'} to mend." if faults else "\nReady.")
    if faults:
        raise typer.Exit(1)


def _json(check: Check) -> str:
    line = {
        "type": "check",
        "about": check.about,
        "verdict": check.verdict.value,
        "said": check.said,
        "to_do": check.to_do or None,
    }
    return jsonlib.dumps(line, ensure_ascii=False)


def _text(check: Check) -> str:
    line = f"{_WORDS[check.verdict]}  {clean(check.about, _LONGEST)}: {clean(check.said, _LONGEST)}"
    return line + (f"\n       -> {clean(check.to_do, _LONGEST)}" if check.to_do else "")
