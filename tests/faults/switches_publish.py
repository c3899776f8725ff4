"""Fault 45: metrics and messages that nobody takes."""

from __future__ import annotations

import threading
import time
from typing import Any, Final

from faults.switch import Fault, switch
from tidegate.publish.mqtt import Publisher

_PUBLISH: Final = "tidegate.publish"
_WAIT_S: Final = 4.5
_put_state = Publisher._put_state


def a_thread_that_writes(self: Any, views: Any) -> None:
    """Write in the control loop."""
    self._try_to_write(views)


def a_slot_to_leave_it_in(self: Any, name: str) -> None:
    """Wait until the broker's thread has taken it, as a plain call would."""
    _put_state(self, name)
    tick, end_s = threading.Event(), time.monotonic() + _WAIT_S
    while len(self._boxes.states[name]) and time.monotonic() < end_s:
        tick.wait(0.02)


def room_for_so_many(self: Any, thing: Any) -> None:
    """Keep everything."""
    self._held.append(thing)


def a_count(self: Any, *_: Any) -> int:
    """Drop without counting."""
    del self
    return 0


FAULTS: Final = (
    Fault(
        45,
        "the disk of the metrics or the broker is down or slow",
        "What they do not take is dropped and counted; control goes on as if they were "
        "not there.",
        (
            switch(
                "the file is written in the control loop",
                "control waited for a sink",
                (f"{_PUBLISH}.textfile.TextFile.put", a_thread_that_writes),
            ),
            switch(
                "publishing waits until the state is taken",
                "control waited for a sink",
                (f"{_PUBLISH}.mqtt.Publisher._put_state", a_slot_to_leave_it_in),
            ),
            switch(
                "everything is kept for later",
                "notes wait where there is room",
                (f"{_PUBLISH}.mailbox.Mailbox.put", room_for_so_many),
            ),
            switch(
                "drops of the file are not counted",
                "what the disk did not take is not counted",
                (f"{_PUBLISH}.textfile.TextFile.dropped", property(a_count)),
            ),
            switch(
                "drops of messages are not counted",
                "what the broker did not take is not counted",
                (f"{_PUBLISH}.mqtt.Publisher.dropped", a_count),
            ),
        ),
    ),
)
