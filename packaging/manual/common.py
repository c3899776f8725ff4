"""What more than one page says: exit codes, files, environment, first steps."""

from __future__ import annotations

from typing import Final

from tidegate.cli.exits import Code

EXIT_CODES: Final = {
    Code.DONE: "Done.",
    Code.NO: "Done, and the answer is no; or an order that was understood and refused.",
    Code.USAGE: "The command line is wrong.",
    Code.DATA: "A cycle log, CSV, form, anchor or key is there and cannot be read, or "
    "holds too little.",
    Code.NO_INPUT: "A file is not there: settings, a cycle log.",
    Code.UNAVAILABLE: "A gauge, a relay or the daemon is not reachable.",
    Code.BUG: "A fault in tidegate, please report it.",
    Code.IO: "A disk or another part of the system failed.",
    Code.BUSY: "Another tidegate holds the relay; try again later.",
    Code.NOT_PERMITTED: "Not permitted.",
    Code.SETTINGS: "The settings are wrong; file, line and key are named.",
}

ENVIRONMENT: Final = {
    "TIDEGATE_CONFIG": "The settings file, where --config names none.",
    "XDG_CONFIG_HOME": "Where your own settings are looked for, in the folder tidegate; "
    "else ~/.config.",
    "TIDEGATE_LOCKS": "The folder of the locks that keep two tidegates from one relay; "
    "else /run/tidegate where it can be written, else a folder of your own.",
    "TIDEGATE_DEBUG": "1: show where a fault in tidegate happened.",
    "NO_COLOR": "Anything: no colours.",
}

FILES: Final = {
    "/etc/tidegate/tidegate.toml": "The settings of this machine.",
    "/etc/tidegate/conf.d/*.toml": "Laid over them, in the order of their names.",
    "~/.config/tidegate/tidegate.toml": "Settings of your own, which come first.",
    "/var/lib/tidegate/cycles.db": "The cycle log, with its past years beside it.",
    "/run/tidegate": "Locks, and the socket of the running daemon.",
    "/usr/share/tidegate/drop-ins": "What a family of gauges or relays needs beyond "
    "the service's few rights; to be linked into "
    "/etc/systemd/system/tidegate.service.d.",
    "/etc/udev/rules.d/69-tidegate-boards.rules": "The boards of this site that are "
    "tidegate's.",
    "/usr/share/doc/tidegate/examples": "Settings for every kind of gauge and relay of "
    "real devices.",
}

FIRST_STEPS: Final = """\
tidegate demo                  # see it work, on a simulated device
tidegate find                  # what is in reach, with lines to paste
tidegate settings check        # is everything right
tidegate read                  # one reading of the battery
tidegate prove entrance-guide --by "your name"
tidegate run                   # keep it in its window
tidegate restore               # supply on, without a daemon
"""
