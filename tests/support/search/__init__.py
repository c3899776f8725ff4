"""Fault search: seeded worlds that hunt for a broken promise.

``plan`` says what a world is (drawn from one number) and what came of it; ``kinds``
names the two kinds of world: ``core`` (core and twin, fast) and ``whole`` (the real
service with real log files and settings).
"""
