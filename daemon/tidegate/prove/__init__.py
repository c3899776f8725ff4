"""The commissioning run of one station: does the supply follow, and what is unsafe?

It runs without the daemon, as the one master of the relay and the one writer of the
cycle log, or within a daemon that let go of the station (``Within``). Its switchings
are an operator's act: no rule decides them, and the log says so. Whatever ends it, it
ends with the supply on.
"""

from tidegate.prove.commission import Commissioning
from tidegate.prove.findings import Finding
from tidegate.prove.result import Order, Result, Verdict
from tidegate.prove.within import Within

__all__ = ["Commissioning", "Finding", "Order", "Result", "Verdict", "Within"]
