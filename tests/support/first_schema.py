"""Makes the log of the first schema that is kept in ``fixtures``.

Synthetic: a wall guide that a twin plays in virtual time, over a turn of the year, with
two daemons and a commissioning run. Every later schema must still read these files;
so they are never made again, only added to. For a new schema: give this a new name
for its files, run ``PYTHONPATH=daemon:backends:tests python -m support.first_schema
FOLDER`` with the code that writes it, and add a test that knows what is in them.
"""

from __future__ import annotations

import gzip
import sqlite3
import sys
from contextlib import closing
from pathlib import Path
from unittest import mock

from support.prove_rig import ProveRig
from tidegate import assembly
from tidegate.virtual import VirtualClock

# 31 December 2026, 17:40 UTC.
WALL_MS = 1_798_738_800_000
FILES = ("cycles-2026.db", "cycles.db")
FIXTURES = Path(__file__).parent / "fixtures"


def make(folder: Path, to: Path) -> None:
    """Let the museum live in ``folder`` and write its log, packed, to ``to``."""
    rig = ProveRig(folder)
    rig.clock = VirtualClock(boot_ms=600_000, wall_ms=WALL_MS)
    # What is kept says nothing of the machine that it was made on.
    with mock.patch.object(assembly, "machine_digest", return_value="5e" * 32):
        rig.live(2 * 3600)
        rig.prove()
        rig.live(6 * 3600)
    for name in FILES:
        with closing(sqlite3.connect(folder / name)) as database:
            database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        packed = gzip.compress((folder / name).read_bytes(), mtime=0)
        (to / f"first-schema-{name}.gz").write_bytes(packed)


def unpack(folder: Path) -> Path:
    """Lay the kept files down in a folder and return the log's path."""
    for name in FILES:
        packed = (FIXTURES / f"first-schema-{name}.gz").read_bytes()
        (folder / name).write_bytes(gzip.decompress(packed))
    return folder / FILES[-1]


if __name__ == "__main__":
    work = Path(sys.argv[1])
    work.mkdir()
    make(work, FIXTURES)
