"""Gauges and relays that ship with tidegate, one file each, found by file name."""
