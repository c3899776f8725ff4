"""The product with one handling missing: what ``switches`` puts in its place.

Each stands where a shorter program would have stood without the fault in mind.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from tidegate.core import alarms, plausibility
from tidegate.core.reading import WhyNot
from tidegate.core.state import State
from tidegate.manager.part import Manager
from tidegate.manager.restarts import Restarts
from tidegate.settings import durations
from tidegate_backends.linux.power_supplies import Folder, Found
from tidegate_backends.wire import packs
from tidegate_backends.wire import power_supply as wire

# --- the core -------------------------------------------------------------------------


def failures_counted(state: State, event: Any, now_ms: int) -> State:
    del event, now_ms
    return state


def frozen_noticed(state: State, reading: Any, before: Any) -> State:
    del reading, before
    return state


def jumps_set_aside(state: State, reading: Any) -> tuple[State, bool]:
    del reading
    return state, False


def presence_noticed(state: State, reading: Any, now_ms: int) -> State:
    del reading, now_ms
    return state


def packs_told_apart(state: State, reading: Any) -> State:
    del reading
    return state


def temperature_taken(state: State, reading: Any, before: Any) -> State:
    del reading, before
    return state


def judging(state: State) -> tuple[State, tuple[()]]:
    return state, ()


def reports_taken(state: State, event: Any) -> State:
    del event
    return state


def hands_noticed(state: State) -> State:
    return state


def fed_checked(state: State) -> State:
    return state


def a_budget(state: State) -> bool:
    del state
    return True


def an_on_at_stop(state: State) -> tuple[State, tuple[()]]:
    return state, ()


def make_any_level_good() -> Sequence[Callable[..., Any]]:
    return tuple(
        each for each in plausibility.VERDICTS if each.__name__ != "_out_of_range"
    )


def make_zeros_good() -> Sequence[Callable[..., Any]]:
    return tuple(each for each in plausibility.VERDICTS if each.__name__ != "_all_zero")


def make_silent(code: str) -> Callable[[], Callable[[State], dict[Any, bool]]]:
    def make_it() -> Callable[[State], dict[Any, bool]]:
        known = alarms._of_control
        return lambda state: {
            alarm: holds and alarm.value != code
            for alarm, holds in known(state).items()
        }

    return make_it


# --- the gauge ------------------------------------------------------------------------


def gaps_allowed(self: Folder, name: str) -> dict[str, str]:
    values = self._uevent(name)
    for key in wire.WANTED:
        if key not in values and (self.path / name / key).exists():
            values[key] = self._text(name, key).strip()
    return values


def single_files(self: Folder, name: str) -> dict[str, str]:
    return self._uevent(name)


def scope_noticed(self: Folder, name: str) -> Found:
    return Found(name, "battery", "a battery", values=self._values(name))


def odd_bytes(self: Folder, name: str, key: str) -> str:
    return self._read(f"{self.path}/{name}/{key}").decode("utf-8")


def packs_missed(self: Any, names: tuple[str, ...]) -> None:
    del self, names


def make_words_numbers() -> Callable[..., Any]:
    known = packs._charge_of

    def charge_of(pack: Any, source: Any) -> Any:
        percent, flags, claims = known(pack, source)
        if claims is WhyNot.LEVEL_ONLY:
            return 100.0, flags, None
        return percent, flags, claims

    return charge_of


def make_known_words_only() -> dict[str, Any]:
    class Known(dict[str, Any]):
        def get(self, key: str, default: Any = None) -> Any:
            del default
            return self[key]

    return Known(wire._STATUSES)


async def a_limit(work: Any, *, limit_s: float) -> Any:
    del limit_s
    return await work


def patience(self: Any) -> None:
    self._host.hint()


def a_new_queue(self: Any, error: OSError) -> NoReturn:
    raise error


# --- the station ----------------------------------------------------------------------


def a_boot_clock(self: Any) -> int:
    wall_ms: int = self.wall_ms()
    return wall_ms


def gaps_noticed(self: Any, now_ms: int) -> None:
    del self, now_ms


async def a_start_without_relay(self: Any, **_: Any) -> NoReturn:
    await self._line.ensure_open()
    raise AssertionError("this check has no relay at start")


def reports(self: Any, said: Any, *, asked_at_ms: int) -> None:
    del self, said, asked_at_ms


async def a_log_that_may_fail(self: Any, limit_s: float = 10.0) -> bool:
    self._station.record.flush()
    await self._writer.commit(limit_s)
    return True


async def forgiveness(self: Any, error: Exception) -> NoReturn:
    del self
    raise error


def relay_forgiveness(self: Any, error: Exception) -> None:
    del self
    if isinstance(error, ZeroDivisionError):
        raise error


# --- relay, log, settings, messages ---------------------------------------------------


def a_second_try(self: Any, attempt: Callable[[], bool]) -> bool:
    del self
    return attempt()


def answers_checked(answer: bytes, *, asked: bytes) -> bool:
    del asked
    return answer[2] == 1


def a_past(reader: Any, station: str) -> None:
    del reader, station


def damage_found(self: Any) -> str | None:
    found: str | None = self._inspect()
    return found


def a_lock(descriptor: int, target: Any) -> None:
    del descriptor, target


def a_hold(self: Any) -> None:
    del self


_known_ms = durations.duration_ms


def bounds_of_times(text: str) -> int:
    """Take any time: the bounds are read as the widest there are."""
    return {"5s": 0, "24h": 1 << 62}.get(text, _known_ms(text))


def a_refusal(self: Any, asked: Any, said: str) -> NoReturn:
    del self, asked
    raise ValueError(said)


def words_for_it(self: Any, asked: Any, said: str) -> None:
    del self, asked, said


def quiet(self: Any, station: str, fault: str) -> int:
    self.over(station, fault)
    return 1


# --- the service manager --------------------------------------------------------------

_begin = Manager.begin
_cycled = Manager._cycled


async def a_thread_that_pings(self: Any, service: Any) -> None:
    await _begin(self, service)

    def ping() -> None:
        while not threading.Event().wait(0.2):
            self._notifier.tell("WATCHDOG=1")

    threading.Thread(target=ping, daemon=True).start()


async def a_timer_that_pings(self: Any, service: Any) -> None:
    await _begin(self, service)
    loop = asyncio.get_running_loop()

    def ping() -> None:
        self._notifier.tell("WATCHDOG=1")
        loop.call_later(60, ping)

    loop.call_later(60, ping)


def a_cycle_of_all(self: Any, station: Any) -> None:
    self._due = {station.name}
    _cycled(self, station)


def counted_runs(path: Any, clock: Any) -> Restarts:
    del path, clock
    return Restarts()
