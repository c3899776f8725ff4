"""The command line: one module a command; it parses, calls, prints, nothing else."""

from tidegate.cli import early

early.hold_for_daemon()

# What takes its time comes after that.
from tidegate.cli import late  # noqa: E402

late.defer()
