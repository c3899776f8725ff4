"""A station's trusted readings in order, from a cycle log or a CSV made by hand."""

from tidegate.history.opening import opened, stations_in
from tidegate.history.series import Coast, Point, Series

__all__ = ["Coast", "Point", "Series", "opened", "stations_in"]
