"""tidegate keeps the battery of a device that never leaves its charger in its window."""

__version__ = "0.1.0"
