"""The thread that speaks to the broker: connect, say, wait for the word that it came.

One message is on its way at a time (QoS 1), so nothing piles up in here while a broker
is slow, and each of a connection's messages is known to have come or not. Every
connection has a client of its own, thrown away with it: one that lives on would send
by itself what it could not deliver. What happened is said again in the next one, for
at least once is promised; its ``id`` tells the repeat.

It sleeps until there is something to say or a ping is due.

Source: MQTT 5.0 (OASIS), sections 3.1.2.5 (will), 3.1.2.10 (keep alive), 3.3.1.3
(retain), 3.3.2.3 (expiry, content type, user property), 4.3.2 (QoS 1); paho-mqtt 2.1.
"""

from __future__ import annotations

import os
import random
import select
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from tidegate import notice
from tidegate.clock import Clock
from tidegate.errors import TidegateError
from tidegate.publish import messages, mqtt_link
from tidegate.publish.figures import View
from tidegate.publish.mailbox import Mailbox
from tidegate.publish.messages import Note
from tidegate.publish.mqtt_link import Link, Lost, Message
from tidegate.settings.table_mqtt import MqttSettings

# Engineering choices, no source. A fleet must not come back all at once.
FIRST_WAIT_S: Final = 1.0
LONGEST_WAIT_S: Final = 300.0
# A connection that ended sooner is no sign that all is well: one that a second daemon
# takes over, or a message that the broker cuts it for, would come back each second.
STEADY_S: Final = 60.0
# So many connections may end over one message of what happened; then it is given up.
TRIES: Final = 5
# Under the two seconds that the service gives its parts.
GOODBYE_S: Final = 1.2
# A state that nobody renewed is forgotten by the broker: the daemon is gone, or stuck.
EXPIRES_AFTER: Final = 3
EXPIRES_LEAST_S: Final = 60
_HINT: Final = (
    ", soon after it was made; if that goes on, look whether another daemon publishes "
    "under this topic, or the broker's rules forbid one of our messages"
)


@dataclass(slots=True, kw_only=True)
class Boxes:
    """What the control loop puts down, and this thread takes."""

    notes: Mailbox[Note]
    states: dict[str, Mailbox[View]]


class Speaker:
    """Runs in its thread until ``is_ending``, and a ring of the bell after it.

    ``listens``: a ring is worth it. ``lost`` counts by station what the broker did not
    take; only this thread writes it.
    """

    def __init__(
        self,
        settings: MqttSettings,
        *,
        topic: str,
        boxes: Boxes,
        bell: int,
        run: str,
        clock: Clock,
    ) -> None:
        self.is_ending = False
        self.listens = False
        self.lost: Counter[str] = Counter()
        self._settings = settings
        self._topic = topic
        self._boxes = boxes
        self._bell = bell
        self._run_id = run
        self._number = 0
        self._note: Message | None = None
        self._stated_last = ""
        self._tries = 0
        self._is_unsteady = self._was_short = False
        self._wait_s = FIRST_WAIT_S
        self._quiet = notice.Quiet(clock)
        self._log = notice.logger()

    def run(self) -> None:
        """Speak until told to end."""
        while not self.is_ending:
            try:
                self._connection()
            except (TidegateError, Lost) as error:
                self._say(error)
            except Exception as error:  # noqa: BLE001 - a fault of ours, or of the
                # library, in a message or connection: the next one may do.
                self._broke(error)
            else:
                return
            self._rest()

    # --- one connection ---------------------------------------------------------------

    def _connection(self) -> None:
        """Connect and say what there is, until the end or an error."""
        link = Link(self._settings, topic=self._topic, note=self._warn)
        up_s: float | None = None
        try:
            link.connect()
            self._deliver(link, self._there("online"))
            up_s = time.monotonic()
            self.listens = True
            while not self.is_ending:
                if not self._is_unsteady or time.monotonic() - up_s >= STEADY_S:
                    self._is_back()
                message = self._next()
                if message is None:
                    link.rest(self._bell)
                    _hush(self._bell)
                else:
                    self._deliver(link, message)
            self._say_goodbye(link)
        finally:
            self.listens = False
            self._was_short = False
            if up_s is not None:
                self._was_short = time.monotonic() - up_s < STEADY_S
                self._is_unsteady = self._was_short
            link.close()

    def _deliver(
        self, link: Link, message: Message, *, by_s: float | None = None
    ) -> None:
        """Publish and wait until the broker has it, or says that it does not want it."""
        try:
            why_not = link.publish(message, by_s=by_s)
        except (Lost, TidegateError):
            if message is self._note:
                self._tries += 1
            elif message.station:
                self.lost[message.station] += 1
            if self._tries >= TRIES:
                self._warn(f"{message.topic} ended {TRIES} connections and is given up")
                self._drop_note()
            raise
        if message is self._note:
            self._note, self._tries = None, 0
        if why_not is not None:
            if message.station:
                self.lost[message.station] += 1
            self._warn(f"the broker does not take {message.topic} ({why_not})")

    def _drop_note(self) -> None:
        """Give up what happened, and count it."""
        if self._note is not None:
            self.lost[self._note.station] += 1
        self._note, self._tries = None, 0

    def _next(self) -> Message | None:
        """Return what to say next: first what happened, then how it is."""
        if self._note is None:
            note = self._boxes.notes.take()
            self._note = None if note is None else self._noted(note)
        if self._note is not None:
            return self._note
        for name, box in self._in_turn():
            view = box.take()
            if view is not None:
                self._stated_last = name
                return self._stated(view)
        return None

    def _in_turn(self) -> Iterator[tuple[str, Mailbox[View]]]:
        """Yield the boxes of the states, beginning after the one that had its turn.

        Where a broker is slower than the states come, the first stations would be the
        only ones that are ever told of.
        """
        boxes = [*self._boxes.states.items()]
        places = [
            n for n, (name, _) in enumerate(boxes, 1) if name == self._stated_last
        ]
        first = places[0] if places else 0
        yield from boxes[first:]
        yield from boxes[:first]

    def _say_goodbye(self, link: Link) -> None:
        """Say what is left, then offline; the broker then forgets the last will."""
        by_s = time.monotonic() + GOODBYE_S
        while time.monotonic() < by_s and (message := self._next()) is not None:
            self._deliver(link, message, by_s=by_s)
        self._deliver(link, self._there("offline"), by_s=by_s)
        link.leave()

    # --- what is said -----------------------------------------------------------------

    def _there(self, word: str) -> Message:
        return mqtt_link.presence(self._topic, word)

    def _noted(self, note: Note) -> Message:
        self._number += 1
        said = {"id": f"{self._run_id}-{self._number}", **note.said}
        return Message(
            topic=f"{self._topic}/{note.station}/{note.kind}",
            payload=messages.encoded(said),
            station=note.station,
            schema=messages.SCHEMA.format(note.kind),
        )

    def _stated(self, view: View) -> Message:
        renewed_ms = max(self._settings.every_ms, view.state.policy.poll_ms)
        return Message(
            topic=f"{self._topic}/{view.station}/state",
            payload=messages.encoded(messages.state(view)),
            station=view.station,
            schema=messages.SCHEMA.format("state"),
            is_retained=True,
            expires_s=max(EXPIRES_LEAST_S, EXPIRES_AFTER * renewed_ms // 1_000),
        )

    # --- between connections ----------------------------------------------------------

    def _rest(self) -> None:
        """Wait before the next try; only the end cuts it short."""
        wait_s = self._wait_s * random.uniform(0.8, 1.2)
        self._wait_s = min(LONGEST_WAIT_S, 2 * self._wait_s)
        until_s = time.monotonic() + wait_s
        # Not select(2), which knows no descriptor above 1023.
        bell = select.poll()
        bell.register(self._bell, select.POLLIN)
        while not self.is_ending and (left_s := until_s - time.monotonic()) > 0:
            if bell.poll(1_000 * left_s):
                _hush(self._bell)

    def _is_back(self) -> None:
        self._is_unsteady = False
        self._wait_s = FIRST_WAIT_S
        if missed := self._quiet.over("", "mqtt"):
            self._log.info("mqtt is back", missed=missed)

    def _say(self, error: Exception) -> None:
        hint = _HINT if self._was_short and isinstance(error, Lost) else ""
        if not self.is_ending and (count := self._quiet.count("", "mqtt")):
            self._log.warning(
                "mqtt: nothing is published; control goes on",
                error=f"{error}{hint}",
                count=count,
            )

    def _broke(self, error: Exception) -> None:
        """Say what nobody foresaw, once with its traceback; go on without the message."""
        self._drop_note()
        if count := self._quiet.count("", "mqtt bug"):
            self._log.error(
                "mqtt: a fault of tidegate; control goes on",
                error=repr(error),
                count=count,
                exc_info=error if count == 1 else None,
            )

    def _warn(self, text: str) -> None:
        if count := self._quiet.count("", text):
            self._log.warning("mqtt", note=text, count=count)


def _hush(bell: int) -> None:
    """Let the bell ring anew."""
    try:
        os.eventfd_read(bell)
    except BlockingIOError:
        return  # it did not ring
