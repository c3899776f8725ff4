"""Gauges: what reads the battery."""
