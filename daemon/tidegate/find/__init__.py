"""Gauges and relays in reach: ``tidegate find`` without its words."""

from tidegate.find.outcome import Source, State, Thing
from tidegate.find.walk import look

__all__ = ["Source", "State", "Thing", "look"]
