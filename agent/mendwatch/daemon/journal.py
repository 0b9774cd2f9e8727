"""The log: JSON lines where a machine reads, plain lines where a person does."""

from __future__ import annotations

import logging
import sys
from types import ModuleType
from typing import TextIO, cast

# structlog loads Rich for coloured tracebacks wherever it is installed. The agent writes plain ones, and the 5 MiB are
# of more use to the server: while structlog loads, Rich is not to be had.
if "structlog" not in sys.modules and "rich" not in sys.modules:
    sys.modules["rich"] = cast("ModuleType", None)
    import structlog

    del sys.modules["rich"]
else:
    import structlog


def set_up(out: TextIO) -> None:
    """Send the log, and what libraries have to warn of, to this stream.

    Under the service manager the stream is a pipe or socket to its journal: one JSON object a line there.
    """
    shared: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    handler = logging.StreamHandler(out)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *_rendering(terminal=out.isatty())],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.WARNING)
    logging.getLogger("mendwatch").setLevel(logging.INFO)
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=lambda *names: logging.getLogger(names[0] if names else "mendwatch"),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )


def _rendering(*, terminal: bool) -> list[structlog.typing.Processor]:
    if terminal:
        return [structlog.dev.ConsoleRenderer(exception_formatter=structlog.dev.plain_traceback)]
    return [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
