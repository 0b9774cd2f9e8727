"""``mendwatch run``: the agent itself, in the foreground."""

from __future__ import annotations

import sys

from mendwatch.cli.common import ConfigOption
from mendwatch.daemon import journal
from mendwatch.daemon.service import serve


def command(config: ConfigOption = None) -> None:
    """Watch the arrays of this host until told to stop (SIGTERM); SIGHUP takes a changed configuration."""
    journal.set_up(sys.stderr)
    serve(config)
