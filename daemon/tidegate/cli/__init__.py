"""The command line: one module a command; it parses, calls, prints, nothing else."""

from tidegate.cli import late

late.defer()
