"""The twin: a simulated device with cell, charger, load and heat.

It serves the demo, tuning and tests. Its gauge and relay are backends like any other,
so the daemon cannot tell a twin from a device. Every figure it gives is invented or
computed; nothing of it was measured on a real pack.
"""
