"""Invented rebuilds as the raw text that a storage system would print, with the drives' counters beside it.

Its physics stand apart from the forecaster's assumptions and name their references, so that a forecast held against
them is tested and not mirrored. The same scenario and seed always give the same captures.
"""

from mendwatch.simulator.brakes import Blame
from mendwatch.simulator.play import Story, captures
from mendwatch.simulator.scenario import Kind, Scenario

__all__ = ["Blame", "Kind", "Scenario", "Story", "captures"]
