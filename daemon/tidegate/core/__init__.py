"""The pure core: readings in, decisions out; no I/O, clock, pydantic or logging."""
