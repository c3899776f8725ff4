"""Meter and latch of an invented museum's showcases, each a folder of small files."""
