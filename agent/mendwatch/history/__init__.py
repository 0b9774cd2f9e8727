"""What the agent remembers, in one SQLite file: the only place that knows SQLite."""

from mendwatch.history.store import History

# Its name in the state directory.
HISTORY_NAME = "history.db"

__all__ = ["HISTORY_NAME", "History"]
