"""Which faults of the project's list a whole world reached, with their effect.

That something was injected is not enough: each number counts only where what it does to
the daemon was seen, in its events, alarms, messages or files.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tidegate.core.events import (
    GaugeFailed,
    LogBack,
    LogLost,
    ReadingArrived,
    Resumed,
    Started,
    SwitchingFailed,
)
from tidegate.cyclelog.disk import aside_files

if TYPE_CHECKING:
    from support.search.whole_world import WholeWorld

# A verdict on a reading, by its fault.
_VERDICTS = {"out_of_range": 6, "all_zero": 7, "not_present": 10}
# A rule that ruled or commanded, by its fault.
_RULES = {
    "gauge_frozen": 8,
    "no_battery": 10,
    "relay_no_effect": 29,
    "relay_budget": 36,
    "relay_fed_by_supply": 37,
}
_ALARMS = {
    "relay_external_change": 30,
    "overcharge_risk": 31,
    "device_will_die": 31,
    "temperature_absent": 16,
    "battery_hot": 16,
    "battery_critical_heat": 16,
}


class Reached:
    """Looks at one world; ``faults`` are the numbers reached so far."""

    def __init__(self, world: WholeWorld) -> None:
        self.faults: set[int] = set()
        self._world = world
        self._log_was_lost = False
        self._wall_gap_ms: int | None = None
        self._packs: dict[str, Any] = {}
        self._failed_at_ms: dict[str, int] = {}

    def happened(self, station: Any, event: object, effects: tuple[Any, ...]) -> None:
        """Look at one event of a station."""
        state, faults = station.state, self.faults
        active = self._active(station.name)
        reason = state.reason.value
        if reason in _RULES:
            faults.add(_RULES[reason])
        for effect in effects:
            alarm = getattr(effect, "alarm", None)
            if type(effect).__name__ == "RaiseAlarm" and alarm is not None:
                self._alarm(alarm.value, active)
        match event:
            case ReadingArrived():
                self._reading(station, event, active)
            case GaugeFailed():
                self._failed(station, event, active)
            case SwitchingFailed():
                if active & {"relay_dead", "relay_absent"}:
                    faults.add(28)
                if "relay_breaks" in active:
                    faults.add(50)
            case Resumed():
                faults.add(18)
            case Started():
                self._started(station, event, active)
            case LogLost():
                self._log_was_lost = True
            case LogBack():
                if self._log_was_lost:
                    faults.add(40)
        self._clock(station)

    def _active(self, name: str) -> set[str]:
        return {
            each.what
            for each in self._world.active.values()
            if each.station in ("", name)
        }

    def _alarm(self, alarm: str, active: set[str]) -> None:
        if alarm in _ALARMS:
            self.faults.add(_ALARMS[alarm])
        if alarm == "relay_external_change":
            held = self._world.tally.incidents["threshold_forgotten"]
            if held:
                self.faults.add(34)
        if alarm == "gauge_lost" and "gauge_absent" in active:
            self.faults.add(1)

    def _reading(self, station: Any, event: ReadingArrived, active: set[str]) -> None:
        reading, state = event.reading, station.state
        if reading.why_not is not None:
            verdict = reading.why_not.value
            if verdict in _VERDICTS:
                self.faults.add(_VERDICTS[verdict])
        elif state.watch.set_aside_at_ms == reading.at_ms:
            self.faults.add(9)
        pack = reading.sample.pack
        known = self._packs.setdefault(station.name, pack)
        if pack is not None and known is not None and pack != known:
            if reading.trusted:
                self.faults.add(15)
            self._packs[station.name] = pack
        self._failed_at_ms.pop(station.name, None)
        if len(self._world.stage.actors) > 1 and self._hangs_elsewhere(station.name):
            self.faults.add(47)

    def _hangs_elsewhere(self, name: str) -> bool:
        """Whether a gauge of another station hangs while this one is read."""
        return any(
            each.what in ("gauge_hangs", "relay_hangs") and each.station != name
            for each in self._world.active.values()
        )

    def _failed(self, station: Any, event: GaugeFailed, active: set[str]) -> None:
        name, state = station.name, station.state
        place = self._world.stage.actors[name].place
        if event.kind == "timeout" or active & {"gauge_hangs"}:
            self.faults.add(5)
        if "gauge_breaks" in active:
            self.faults.add(50)
        if "second_pack_goes" in active:
            self.faults.add(12)
        if state.coasting:
            self.faults.add(24)
        blind = active & {"gauge_lost", "gauge_absent"}
        if place.variant == "coast" and blind and state.reason.value == "gauge_lost":
            self.faults.add(19)
        if active & {"gauge_lost"} and self._is_quiet(name):
            self.faults.add(48)

    def _is_quiet(self, name: str) -> bool:
        """Whether one fault told again and again was said less often than it came."""
        world = self._world
        first_ms = self._failed_at_ms.setdefault(name, world.true_ms())
        poll_ms = world.witnesses[name].notebook.limits.poll_ms
        if world.true_ms() - first_ms < 40 * poll_ms:
            return False
        said = [it for it in world.talk.lines if "lost by order" in it and name in it]
        since_s = (world.true_ms() - first_ms) / 1_000
        recent = said[-40:]
        return len(recent) < since_s / (poll_ms / 1_000) / 2

    def _started(self, station: Any, event: Started, active: set[str]) -> None:
        if not event.was_closed:
            self.faults.add(38)
        relay = station.relay
        if relay is not None and not relay.is_open and "relay_absent" in active:
            self.faults.add(27)
        if self._world.was_stalled and not event.was_closed:
            self.faults.add(39)

    def _clock(self, station: Any) -> None:
        clock = self._world.clock
        gap_ms = clock.wall_ms() - self._world.true_ms()
        if self._wall_gap_ms is not None and gap_ms != self._wall_gap_ms:
            self.faults.add(17)
        self._wall_gap_ms = gap_ms
        service = self._world.life.service if self._world.life else None
        if service is not None and service.settings_error:
            self.faults.add(43)

    def ended(self) -> None:
        """Look at what the world left."""
        if aside_files(self._world.site.log):
            self.faults.add(41)
