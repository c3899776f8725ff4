"""One battery whose charging the kernel can stop, and the two levers that do it.

``Behaviour`` is a true inhibit: the device stays powered and charging stops at the
level of the moment. ``Thresholds`` sets the firmware a point at which it stops by
itself: what it takes is rounded, so every value is read back and both are told.

Blocks: call it from a worker's thread. Source: as in ``wire/charge_control.py``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Protocol, TypeVar

from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Malformed, Refused, Unavailable
from tidegate_backends.linux.attributes import ABSENT, Show, Store, failure
from tidegate_backends.wire import charge_control as wire
from tidegate_backends.wire.charge_control import END, START, TYPES

T = TypeVar("T")

_LEVELS: Final = (("charge_now", "charge_full"), ("energy_now", "energy_full"))


class Battery:
    """The attributes of one battery. Errors of all: Unavailable, Refused, Malformed.

    ``note`` is told what is no error. Once ``given_up`` nothing is written any more,
    so that a call which comes back late leaves the rest of its work undone.
    """

    def __init__(
        self, folder: Path, *, show: Show, store: Store, note: Callable[[str], None]
    ) -> None:
        self.folder = folder
        self.note = note
        self.given_up = False
        self._show = show
        self._store = store

    def show(self, key: str) -> str:
        """Return what an attribute says."""
        try:
            return self._show(self.folder / key)
        except OSError as error:
            raise self._failed(error, key, f"reading {key}") from error

    def optional(self, key: str) -> str | None:
        """Return what an attribute says, ``None`` where there is none."""
        try:
            return self._show(self.folder / key)
        except OSError as error:
            if error.errno in ABSENT and self.folder.exists():
                return None
            raise self._failed(error, key, f"reading {key}") from error

    def store(self, key: str, line: str) -> None:
        """Write one line to an attribute."""
        if self.given_up:
            raise Unavailable(
                "the relay was closed meanwhile",
                target=str(self.folder),
                remedy="Open it anew.",
            )
        try:
            self._store(self.folder / key, line)
        except OSError as error:
            raise self._failed(error, key, f"{key} = {line}") from error

    def percent(self, key: str) -> int:
        """Return the percentage that an attribute says."""
        return self._parsed(key, wire.parse_percent, self.show(key))

    def choices(self, key: str) -> wire.Choices:
        """Return the list that an attribute says."""
        return self._parsed(key, wire.parse_choices, self.show(key))

    def level_percent(self) -> int:
        """Return the level of now, in whole percent, rounded down."""
        capacity = self.optional("capacity")
        if capacity is not None:
            try:
                return wire.parse_percent(capacity)
            except wire.OddText as odd:
                self.note(f"capacity: {odd}; its charge is taken instead")
        for now, full in _LEVELS:
            one, other = self.optional(now), self.optional(full)
            if one and other and one.isdecimal() and other.isdecimal() and int(other):
                return min(wire.FULL_PERCENT, 100 * int(one) // int(other))
        raise Unavailable(
            "it does not say its level now, and an end threshold needs one",
            target=str(self.folder),
            remedy="It is asked again with the next command.",
        )

    def _parsed(self, key: str, parse: Callable[[str], T], text: str) -> T:
        try:
            return parse(text)
        except wire.OddText as odd:
            raise Malformed(
                f"{key}: {odd}",
                target=str(self.folder),
                remedy="See `dmesg`; the driver may be at fault.",
            ) from odd

    def _failed(self, error: OSError, key: str, what: str) -> BackendError:
        return failure(
            error,
            what=what,
            target=str(self.folder),
            permit="Let a udev rule give the service's group write access: "
            f'SUBSYSTEM=="power_supply", KERNEL=="{self.folder.name}", '
            f'RUN+="/bin/chgrp tidegate /sys%p/{key}", '
            f'RUN+="/bin/chmod g+w /sys%p/{key}".',
        )


class Lever(Protocol):
    """What stops and allows charging."""

    def set(self, supply: Supply) -> None:
        """Allow charging (on), or stop it (off), and read back that it is so."""

    def get(self) -> Supply:
        """Return what is effective now."""


class Behaviour:
    """``charge_behaviour``: ``auto`` is on, an inhibit is off.

    ``force-discharge`` is never written. Found set by others it is off: charging is
    stopped, and the next on ends it.
    """

    def __init__(self, battery: Battery, *, inhibit: str) -> None:
        self._battery = battery
        self._inhibit = inhibit

    def set(self, supply: Supply) -> None:
        if supply is Supply.ON:
            self._tell(wire.AUTO)
            return
        try:
            self._tell(self._inhibit)
        except BackendError:
            # Whatever it made of that, an off that failed must not stand.
            try:
                self._tell(wire.AUTO)
            except BackendError as error:
                self._battery.note(f"charging is not allowed again: {error.what}")
            raise

    def _tell(self, word: str) -> None:
        self._battery.store(wire.BEHAVIOUR, word)
        active = self._battery.choices(wire.BEHAVIOUR).active
        if active != word:
            raise Refused(
                f"{wire.BEHAVIOUR} was told {word} and is {active}",
                target=str(self._battery.folder),
                remedy='Try attribute = "thresholds", or see `dmesg`.',
            )

    def get(self) -> Supply:
        active = self._battery.choices(wire.BEHAVIOUR).active
        if active == wire.FORCE_DISCHARGE:
            self._battery.note(
                f"somebody set {wire.BEHAVIOUR} to {active}: the battery is drained "
                "although there is power; the next on ends it"
            )
        return Supply.ON if active == wire.AUTO else Supply.OFF


@dataclass(slots=True)
class Before:
    """How a battery's thresholds stood before tidegate first changed them.

    ``start_percent`` and ``type`` are what an on brings back, ``None`` where there is
    nothing to bring back. ``off_percent`` is the end threshold of an off that stands.
    ``folder`` is the battery's; ``wants_custom``: thresholds act in one charge type
    only, as on Dell machines.
    """

    folder: Path
    wants_custom: bool = False
    start_percent: int | None = None
    type: str | None = None
    off_percent: int | None = None


class Thresholds:
    """The end threshold: 100 is on, the level of the moment is off.

    A start threshold follows the end, and ``charge_types`` becomes Custom where the
    thresholds count in no other; both are brought back with the next on.
    """

    def __init__(self, battery: Battery, known: Before | None) -> None:
        """Take over; ``known`` is what an earlier ``Thresholds`` of this run knew."""
        self._battery = battery
        is_known = known is not None and known.folder == battery.folder
        self.before = known if known is not None and is_known else self._looked()

    def _looked(self) -> Before:
        battery = self._battery
        before = Before(battery.folder)
        end, start = battery.percent(END), battery.optional(START)
        if end < wire.FULL_PERCENT:
            battery.note(
                f"{END} stands at {end} %; an on sets it to {wire.FULL_PERCENT} %"
            )
        if start is not None:
            found = before.start_percent = battery.percent(START)
            least = wire.start_under(wire.FULL_PERCENT)
            if end == wire.FULL_PERCENT and 0 < found < least:
                battery.note(f"{START} stands at {found} %; an on sets it to {least} %")
            if end < wire.FULL_PERCENT or 0 < found < least:
                # Of an off that a run before left, perhaps half done, or of a policy
                # that an on ends too: to that start a battery in the window would not
                # charge. 0 means no start at all.
                before.start_percent = least
        if battery.optional(TYPES) is not None:
            types = battery.choices(TYPES)
            before.wants_custom = wire.CUSTOM in types.offered
            if before.wants_custom and types.active != wire.CUSTOM:
                before.type = types.active
        return before

    def set(self, supply: Supply) -> None:
        if supply is Supply.ON:
            self._allow()
        else:
            self._stop()

    def get(self) -> Supply:
        battery, off_percent = self._battery, self.before.off_percent
        wants_custom = self.before.wants_custom
        if wants_custom and battery.choices(TYPES).active != wire.CUSTOM:
            return Supply.ON  # the thresholds count for nothing
        end = battery.percent(END)
        if end == off_percent:
            return Supply.OFF
        if wire.is_rounding(wire.FULL_PERCENT, end):
            return Supply.ON
        reached = battery.level_percent() + wire.ROUNDED_AT_MOST_PERCENT >= end
        return Supply.OFF if reached else Supply.ON

    def _allow(self) -> None:
        """Raise the end first, so that the start never stands above it."""
        battery, before = self._battery, self.before
        battery.store(END, str(wire.FULL_PERCENT))
        effective = battery.percent(END)
        self._told(wire.FULL_PERCENT, effective)
        before.off_percent = None
        if before.start_percent is not None:
            self._try(START, str(before.start_percent))
        if before.type is not None:
            self._try(TYPES, before.type)
        if not wire.is_rounding(wire.FULL_PERCENT, effective):
            raise Refused(
                f"{END} was told {wire.FULL_PERCENT} and is {effective}",
                target=str(battery.folder),
                remedy="Something else keeps it down: look in the machine's set-up.",
            )

    def _try(self, key: str, line: str) -> None:
        """Write what the end threshold can do without, where the driver takes it."""
        try:
            self._battery.store(key, line)
        except Refused as refused:
            self._battery.note(f"{key} stays as it is: {refused.what}")

    def _stop(self) -> None:
        """Stop charging; where that fails half-way, it is allowed again."""
        level_percent = self._battery.level_percent()
        try:
            self._use_custom()
            self._stop_near(level_percent)
        except BackendError:
            try:
                self._allow()
            except BackendError as error:
                self._battery.note(f"charging is not allowed again: {error.what}")
            raise

    def _use_custom(self) -> None:
        battery = self._battery
        if not self.before.wants_custom:
            return
        battery.store(TYPES, wire.CUSTOM)
        if (active := battery.choices(TYPES).active) != wire.CUSTOM:
            raise Refused(
                f"{TYPES} was told {wire.CUSTOM} and is {active}",
                target=str(battery.folder),
                remedy="Without it the thresholds have no effect; see `dmesg`.",
            )

    def _stop_near(self, level_percent: int) -> None:
        """Stop at the level, or at the next threshold that a coarse driver takes."""
        *others, last = wire.off_ends(level_percent)
        for end in others:
            try:
                return self._stop_at(end)
            except Refused:
                continue  # the refusal of the last one counts
        return self._stop_at(last)

    def _stop_at(self, end: int) -> None:
        """Set both thresholds, in the order that keeps the start below the end."""
        battery = self._battery
        lowers = end < battery.percent(END)
        if lowers:
            self._begin_under(end)
        battery.store(END, str(end))
        if not lowers:
            self._begin_under(end)
        effective = battery.percent(END)
        if not wire.is_rounding(end, effective):
            raise Refused(
                f"{END} was told {end} and is {effective}: charging would stop "
                "elsewhere, so it is allowed again",
                target=str(battery.folder),
                remedy="This machine knows only some thresholds: set the window to one "
                "of them, or use a contact in the supply.",
            )
        self._told(end, effective)
        self.before.off_percent = effective

    def _begin_under(self, end: int) -> None:
        """Keep the firmware from refilling each point that is lost; it still refills
        a battery that is well under the end, should nobody say on any more.
        """
        if self.before.start_percent is not None:
            self._try(START, str(wire.start_under(end)))

    def _told(self, asked: int, effective: int) -> None:
        if asked != effective:
            self._battery.note(f"{END}: {asked} % asked, {effective} % effective")
