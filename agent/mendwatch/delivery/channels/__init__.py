"""One channel a file; none knows another. A third party adds its own by the same entry points."""
