"""What the agent remembers, in one SQLite file: the only place that knows SQLite."""

from mendwatch.history.store import History

__all__ = ["History"]
