"""What a process lends to its backends: threads, shared links, locks, early wakes.

One ``Machine`` a process; each station gets a ``StationHost`` from it, which
implements ``tidegate.contract.Host`` and remembers what its station holds.
"""

from tidegate.host.links import Lease, Links
from tidegate.host.locks import (
    HeldLock,
    Locks,
    lock_folder,
    lock_target,
    without_file,
)
from tidegate.host.machine import Machine, StationHost
from tidegate.host.workers import InlineWorker, ThreadWorker, Workers

__all__ = [
    "HeldLock",
    "InlineWorker",
    "Lease",
    "Links",
    "Locks",
    "Machine",
    "StationHost",
    "ThreadWorker",
    "Workers",
    "lock_folder",
    "lock_target",
    "without_file",
]
