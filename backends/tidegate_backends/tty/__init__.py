"""Serial ports of this machine: opened, shared, found, and talked over."""
