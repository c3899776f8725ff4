"""Run a tidegate command as another user: ``as_user.py UID GID GROUPS -- WORDS...``.

Root becomes that user for good before the command begins, as setuid(2) has it. What
the command imports later must be loaded before: the interpreter itself may lie where
only root can look. ``GROUPS`` are numbers with commas, or nothing.
"""

from __future__ import annotations

import os
import sys
from importlib import import_module

EARLY = (
    "tidegate.cli.main",
    "tidegate.cli.override",
    "tidegate.cli.prove",
    "tidegate.cli.prove_through",
    "tidegate.cli.read",
    "tidegate.cli.release",
    "tidegate.control.client",
    "tidegate.control.peer",
    "tidegate.report.cautions",
    "tidegate.settings.control_alone",
    "tidegate.station.reading_document",
    "encodings.idna",
)


def main() -> int:
    uid, gid, groups = sys.argv[1:4]
    assert sys.argv[4] == "--"
    for name in EARLY:
        import_module(name)
    os.setgroups([int(group) for group in groups.split(",") if group])
    os.setresgid(int(gid), int(gid), int(gid))
    os.setresuid(int(uid), int(uid), int(uid))
    run = import_module("tidegate.cli.main").run
    return int(run(sys.argv[5:]))


if __name__ == "__main__":
    sys.exit(main())
