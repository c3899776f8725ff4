"""The shell of one station: events go in, effects come out, the cycle log first.

``shell`` feeds the core and writes down what happens; ``gauge_side`` brings readings
in; ``relay_side`` carries commands out. None of them decides anything.
"""

from tidegate.station.shell import Station

__all__ = ["Station"]
