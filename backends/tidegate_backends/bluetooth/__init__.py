"""Bluetooth LE through BlueZ: what the relay ``ble`` and the gauge ``ble-battery`` share.

``naming``: addresses and identifiers in settings; ``failures``: what the libraries'
errors mean; ``bluez``: what bluetoothd has on the bus now; ``radio``: one call at a
time, each bounded; ``peer``: one connection, by bleak; ``survey``: what is in reach.

bleak and dbus-fast are imported when a backend opens, not before.
"""
