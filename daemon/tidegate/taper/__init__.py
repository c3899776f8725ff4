"""Whether a device holds its own charging back, from a charge that was read."""
