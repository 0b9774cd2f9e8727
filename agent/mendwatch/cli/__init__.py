"""The commands: one file a verb, and only the verb in use is loaded.

Errors become exit codes here and nowhere else: 0 fine, 1 bad news or something could not be done, 2 wrong usage,
configuration or file, 3 our own fault.
"""

from __future__ import annotations

import os
import sys
import traceback
from importlib import import_module
from typing import TYPE_CHECKING, Annotated

import typer
from typer.core import TyperGroup
from typer.main import get_command

from mendwatch import __version__
from mendwatch.model.errors import HistoryError, HistoryHeldError, MendwatchError, SettingsError, UsageError
from mendwatch.model.names import printable

if TYPE_CHECKING:
    from typer.core import TyperCommand

VERBS = {
    "run": "The agent itself, in the foreground.",
    "status": "Arrays, rebuilds with their projected end, standing alerts.",
    "history": "Rebuilds, passes and degraded windows so far.",
    "show": "One rebuild, pass or window.",
    "preflight": "Checks configuration, sources, rights, channels and the state directory.",
    "page-test": "Sends a test alert through every channel.",
    "record": "Writes what the sources say into a recording.",
    "replay": "Plays recordings through the whole pipeline, delivering nothing.",
    "parse": "What the agent understands of each poll of a recording.",
    "simulate": "Writes a recording of an invented rebuild.",
    "demo": "An invented server's story at high speed.",
}
BAD_NEWS = 1
WRONG_USAGE = 2
OUR_FAULT = 3
INTERRUPTED = 130


class _Verbs(TyperGroup):
    """Loads a verb's module when it is used; the list with one line each needs none of them."""

    def list_commands(self, ctx: typer.Context) -> list[str]:  # type: ignore[override]  # noqa: ARG002 - the base's shape
        return list(VERBS)

    def get_command(self, ctx: typer.Context, cmd_name: str) -> TyperCommand | None:  # type: ignore[override]  # noqa: ARG002 - as above
        if cmd_name not in VERBS:
            return None
        module = import_module(f"mendwatch.cli.{cmd_name.replace('-', '_')}")
        app = typer.Typer(add_completion=False, pretty_exceptions_enable=False, rich_markup_mode=None)
        app.command(name=cmd_name)(module.command)
        return get_command(app)  # type: ignore[return-value]


def _version(wanted: bool) -> None:  # noqa: FBT001 - an option's callback
    if wanted:
        typer.echo(f"mendwatch {__version__}")
        raise typer.Exit


app = typer.Typer(
    cls=_Verbs,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)


@app.callback()
def verbs(
    version: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Show it.")] = False,  # noqa: FBT002
) -> None:
    """Follow the rebuilds of this server's arrays, and page a person when one will outlast the policy."""


def main() -> None:
    """Run the verb that the command line names, and end with its exit code."""
    sys.exit(_run())


def _run() -> int:
    try:
        code = _obey()
        sys.stdout.flush()
    except KeyboardInterrupt:
        return INTERRUPTED
    except HistoryHeldError as error:
        return _say(error, BAD_NEWS)
    except (HistoryError, SettingsError, UsageError) as error:
        return _say(error, WRONG_USAGE)
    except MendwatchError as error:
        return _say(error, BAD_NEWS)
    except BrokenPipeError:
        # The reader (head, a pager) has what it wanted; nothing more may be written to the pipe at exit either.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception:  # noqa: BLE001 - the last catch: whatever is not ours to expect is our fault and says so
        typer.echo(f"mendwatch {__version__}: this is our own fault, please report it with these lines:", err=True)
        typer.echo(traceback.format_exc(), err=True)
        return OUR_FAULT
    return code


def _obey() -> int:
    """Run the verb; a wrong command line has been told on standard error, with exit code 2."""
    try:
        get_command(app).main(prog_name="mendwatch")
    except SystemExit as done:
        return done.code if isinstance(done.code, int) else int(done.code is not None)
    return 0


def _say(error: MendwatchError, code: int) -> int:
    for line in str(error).splitlines() or [type(error).__name__]:
        typer.echo(f"mendwatch: {printable(line)}", err=True)
    return code
