"""Looks at everything that the agent would meet if it started now."""

from mendwatch.daemon.preflight.check import Check, Verdict
from mendwatch.daemon.preflight.inspection import inspect

__all__ = ["Check", "Verdict", "inspect"]
