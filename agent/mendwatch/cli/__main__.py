"""``python -m mendwatch.cli``: the same as the ``mendwatch`` command."""

from mendwatch.cli import main

main()
