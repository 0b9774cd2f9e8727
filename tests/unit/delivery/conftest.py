"""What the tests of the outbox share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from structlog.testing import capture_logs

from mendwatch.history import History
from support.outbox_bench import Bench


@pytest.fixture
def bench() -> Iterator[Bench]:
    """An outbox on an empty history; what it logs is kept out of the test's output."""
    with capture_logs(), History.open(":memory:") as history:
        yield Bench(history)
