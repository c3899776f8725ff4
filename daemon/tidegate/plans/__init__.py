"""Planned rises and relearning: when the window is another one for a while.

Pure functions say which marks should be in force: ``calendar`` (moments), ``rates``
(how fast it charges), ``rise`` and ``relearn``. ``part`` holds them against what is in
force, at each reading of a station and never by a timer of its own. Only marks change:
every rule of the table outranks a plan as it outranks the window of the settings.
"""
