"""Relays: what opens and closes the supply."""
