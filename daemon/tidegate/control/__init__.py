"""The local control socket: how people and programs steer a running daemon.

``protocol`` and ``told`` are what goes over it, ``peer`` who is at the other end,
``place`` where it is, ``socket_file`` how it gets there; ``server`` and ``talking``
are the daemon's half, ``client`` the other one. Nothing here knows the service.
"""
