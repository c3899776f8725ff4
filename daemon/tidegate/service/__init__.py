"""The composition root: settings, backends, cycle log and stations become a daemon.

``root`` is the daemon itself; ``past`` rebuilds what it knew; ``parts`` are what may
stand around it and never in its way; ``turnover`` takes one station out while the
others go on; ``asked`` answers the questions of the control socket.
"""

from tidegate.service.root import Service

__all__ = ["Service"]
