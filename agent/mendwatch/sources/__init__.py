"""The only place that runs a command or reads a status file, and where recordings come from and go to."""
