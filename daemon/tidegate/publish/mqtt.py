"""Publishing over MQTT 5, as the control loop sees it: put down, and go on.

All that touches the network is in a thread of its own (``mqtt_thread``). What the loop
puts down there waits in boxes that never fill up: the state of a station in one slot,
where the newest wins, and what happened in a queue whose oldest makes room. Both
count what was lost.
"""

from __future__ import annotations

import os
import threading
from collections import Counter
from collections.abc import Callable, Container
from typing import Final

from tidegate.assembly import machine_digest
from tidegate.clock import Clock
from tidegate.core.effects import (
    ClearAlarm,
    Effect,
    Kind,
    RaiseAlarm,
    Reason,
    SwitchSupply,
)
from tidegate.core.events import Event, SwitchingFailed, SwitchingSucceeded
from tidegate.errors import TidegateError
from tidegate.publish import messages
from tidegate.publish.ended import Ended
from tidegate.publish.figures import CYCLES, View
from tidegate.publish.mailbox import Mailbox
from tidegate.publish.messages import Note
from tidegate.publish.mqtt_thread import Boxes, Speaker
from tidegate.settings.table_mqtt import MqttSettings
from tidegate.station.shell import Station

# Switchings and alarms that wait for a broker that is away: days of a sound station.
NOTES_AT_MOST: Final = 100
_ORDERS_AT_MOST: Final = 8


class Publisher:
    """Everything public is for the loop's thread. Errors: TidegateError."""

    name = "mqtt"

    def __init__(
        self,
        settings: MqttSettings,
        *,
        clock: Clock,
        views: Callable[[str], View | None],
    ) -> None:
        _check_library()
        self._every_ms = settings.every_ms
        self._views = views
        self._due_ms: dict[str, int] = {}
        self._orders: dict[str, dict[int, SwitchSupply]] = {}
        self._lost: Counter[str] = Counter()
        self._ended = Ended()
        self._bell = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._boxes = Boxes(notes=Mailbox(NOTES_AT_MOST), states={})
        self._speaker = Speaker(
            settings,
            topic=settings.topic or f"tidegate/{machine_digest()[:12]}",
            boxes=self._boxes,
            bell=self._bell,
            run=f"{clock.wall_ms()}",
            clock=clock,
        )
        threading.Thread(target=self._run, name="mqtt", daemon=True).start()

    def dropped(self, station: str) -> int:
        """Return how many messages about a station were lost."""
        box = self._boxes.states.get(station)
        held = 0 if box is None else box.dropped
        return held + self._lost[station] + self._speaker.lost.get(station, 0)

    def happened(
        self, station: Station, event: Event, effects: tuple[Effect, ...]
    ) -> None:
        """Put down what there is to say of an event; never waits."""
        notes = self._outcome(station, event)
        wall_ms = station.clock.wall_ms()
        for effect in effects:
            if isinstance(effect, SwitchSupply):
                self._ordered(station, effect)
            elif isinstance(effect, RaiseAlarm | ClearAlarm):
                raised = isinstance(effect, RaiseAlarm)
                code = effect.alarm.value
                notes.append(
                    messages.alarm(
                        station=station.name, code=code, raised=raised, wall_ms=wall_ms
                    )
                )
        for note in notes:
            self._put(note)
        now_ms = station.clock.boot_ms()
        is_due = isinstance(event, CYCLES) and now_ms >= self._due_ms.get(
            station.name, 0
        )
        if notes or is_due:
            self._due_ms[station.name] = now_ms + self._every_ms
            self._put_state(station.name)
            if self._speaker.listens:
                self._ring()

    def forget_others(self, names: Container[str]) -> None:
        """Forget stations that are gone: a broker that comes back hears of no ghosts."""
        kept = {name: box for name, box in self._boxes.states.items() if name in names}
        self._boxes.states = kept
        for of_a_station in (self._due_ms, self._orders, self._lost):
            for gone in [name for name in of_a_station if name not in names]:
                del of_a_station[gone]

    def _outcome(self, station: Station, event: Event) -> list[Note]:
        """Return the note of a command that was answered; none of a mere repeat."""
        if not isinstance(event, SwitchingSucceeded | SwitchingFailed):
            return []
        if event.told_at_ms is None:
            return []
        order = self._orders.get(station.name, {}).pop(event.told_at_ms, None)
        if order is None or order.kind is Kind.REPEAT:
            return []
        clock = station.clock
        took_ms = clock.boot_ms() - event.told_at_ms
        return [
            messages.switching(
                station=station.name,
                supply=order.supply,
                reason=Reason(order.reason),
                decided_wall_ms=clock.wall_ms() - took_ms,
                took_s=took_ms / 1_000,
                error=event.kind if isinstance(event, SwitchingFailed) else None,
            )
        ]

    def _ordered(self, station: Station, effect: SwitchSupply) -> None:
        assert station.state is not None
        mine = self._orders.setdefault(station.name, {})
        mine[station.state.quiet.now_ms] = effect
        if len(mine) > _ORDERS_AT_MOST:
            del mine[next(iter(mine))]

    def _put(self, note: Note) -> None:
        pushed_out = self._boxes.notes.put(note)
        if pushed_out is not None:
            self._lost[pushed_out.station] += 1

    def _put_state(self, name: str) -> None:
        view = self._views(name)
        if view is None:
            return
        box = self._boxes.states.get(name)
        if box is None:
            box = Mailbox()
            # Another mapping, for the thread may be going through this one.
            self._boxes.states = {**self._boxes.states, name: box}
        box.put(view)

    def _ring(self) -> None:
        try:
            os.eventfd_write(self._bell, 1)
        except BlockingIOError:
            return  # 2^64 - 2 unheard rings: it rings already

    async def end(self) -> None:
        """Wait until the thread has said offline; whoever waits sets a limit."""
        self._speaker.is_ending = True
        self._ring()
        await self._ended.wait()
        os.close(self._bell)

    def _run(self) -> None:
        self._speaker.run()
        self._ended.tell()


def _check_library() -> None:
    try:
        import paho.mqtt.client  # noqa: F401
    except ImportError as error:
        raise TidegateError(
            "nothing is published over MQTT, because paho-mqtt is not installed (extra "
            "`mqtt`); control goes on",
            remedy="Install it: pip install 'tidegate[mqtt]'",
        ) from error
