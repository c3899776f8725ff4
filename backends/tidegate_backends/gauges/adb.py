"""The battery of an Android device beside this machine, through an adb server.

One shell call a reading: `dumpsys battery` and, behind it, /proc/uptime. Whether it
worked is read from the text, as exit codes say nothing. Nothing is ever set on the
device: `dumpsys battery set`, `reset` and `unplug` are left to people.

A device that hangs is asked less and less often, and after five hangs (or five answers
"offline") in a row the server is told to connect anew; ending the server itself is the
last step, and only where the settings allow it.

Source: AOSP packages/modules/adb, docs/user/adb.1.md; ADB_ALLOWED_CONNECTION_TIME in
frameworks/base (a key that was not used for 7 days is forgotten).
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from tidegate.contract import (
    Backend,
    Gauge,
    GaugeFacts,
    GaugeSettings,
    Host,
    SharedLink,
)
from tidegate.core.frozen import replace
from tidegate.core.reading import Sample, WhyNot
from tidegate.errors import BackendError, Refused, Unavailable
from tidegate_backends.adb.client import (
    REAPED_WITHIN_S,
    AdbServer,
    Hung,
    Place,
    Said,
    found_program,
)
from tidegate_backends.adb.patience import Patience
from tidegate_backends.adb.survey import survey
from tidegate_backends.adb.turns import Turn
from tidegate_backends.seconds import Seconds
from tidegate_backends.wire.adb_devices import devices_in
from tidegate_backends.wire.adb_text import (
    Trouble,
    answer_in,
    is_address,
    is_connected,
    trouble_in,
)

Over = Literal["usb-switched", "usb", "tcp"]

ASKED: Final = "dumpsys battery; cat /proc/uptime"
# The dialog of a forgotten key needs a hand on the device; three days are enough to
# send somebody within the seven.
SILENCE_ALARM_S: Final = 3 * 86_400.0
# Android tells a plug at once; the USB link itself takes some seconds to come back.
LATENCY_S: Final = 10.0
# Of a read's limit, what it may spend waiting for its turn.
WAITS_AT_MOST: Final = 0.4

_GIVES: Final = frozenset(
    {
        "soc_percent",
        "battery_status",
        "external_power",
        "present",
        "voltage_v",
        "temperature_c",
        "charge_ah",
        "health",
        "uptime_s",
    }
)
_FROZEN: Final = (
    "somebody froze the device's battery service (dumpsys battery set or unplug), so "
    "its values are not believed; when that is no longer wanted, end it by hand: adb "
    "shell dumpsys battery reset"
)


_CHOOSE: Final = (
    'Choose one with serial = "..."; if two have the same serial, by its place, '
    'such as serial = "usb:1-2"'
)
_UNNAMED: Final = (
    "no serial: whatever device is attached alone is taken for this one, also while its "
    "own supply is off and another is there. Name it with serial; `adb devices -l` "
    "lists it"
)
# What `adb -s` takes for "any device of this sort", from `adb help`.
_SORTS: Final = ("product:", "model:", "device:")
# No control characters: none of them is in a path by intent.
_REST: Final = r"[^\x00-\x1f\x7f]*"
_A_PATH: Final = rf"^[^\x00-\x20\x7f]{_REST}$"
# What a device says whose cable has no power: nothing.
_BLIND: Final = frozenset({"not_found", "offline"})


class AdbSettings(GaugeSettings):
    """The only device attached, or the one of this serial."""

    kind: Literal["adb"] = "adb"
    serial: str | None = Field(
        default=None,
        pattern=r"^[^\s\x00-\x1f\x7f-][^\s\x00-\x1f\x7f]*$",
        description='as `adb devices` lists it, or "host:port" of a device on the '
        "network; the only device attached if left out",
    )
    server_port: int = Field(
        default=5037, ge=1, le=65_535, description="the port of the adb server"
    )
    over: Over = Field(
        default="usb-switched",
        description="usb-switched: the cable whose power is switched, so the gauge is "
        "blind while the supply is off; usb: another cable; tcp: the network",
    )
    program: str = Field(
        default="adb",
        pattern=_A_PATH,
        description="the adb program; one program alone may use a server",
    )
    home: str | None = Field(
        default=None,
        pattern=rf"^/{_REST}$",
        description="the folder whose .android/adbkey the devices have authorised; "
        "the service user's own if left out",
    )
    vendor_keys: str | None = Field(
        default=None, pattern=_A_PATH, description="the value of ADB_VENDOR_KEYS"
    )
    limit: Annotated[Seconds, Field(gt=0, le=10)] = Field(
        default=10.0,  # seconds
        description="a call is killed after this time",
    )
    restart_server: bool = Field(
        default=False,
        description="end a server whose device hangs ten times in a row, at most once "
        "an hour; every device on that server loses its connection",
    )
    design_ah: float | None = Field(
        default=None,
        gt=0,
        le=60,
        description="what a full battery holds; a charge counter that disagrees is "
        "in another unit and left out",
    )

    @model_validator(mode="after")
    def _has_an_address(self) -> Self:
        if self.over == "tcp" and not is_address(self.serial):
            raise ValueError(
                f'over = "tcp" needs serial = "host:port", found {self.serial!r}'
            )
        if self.serial is not None and self.serial.startswith(_SORTS):
            raise ValueError(
                f"serial = {self.serial!r} fits every device of its sort; name one by "
                "its own serial or its place, as `adb devices -l` lists them"
            )
        return self


class AdbGauge(Gauge):
    """A device's battery service, asked through an adb server.

    Errors: Unavailable (not there now, or no answer), Refused (it has not authorised
    us, or more than one device answers), Malformed (the answer is cut or no dump),
    Unsupported (no adb program).
    """

    def __init__(self, settings: AdbSettings, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._target = f"adb {settings.serial or 'device'}"
        self._key = f"adb:{settings.server_port}"
        self._server: AdbServer | None = None
        self._turn: Turn | None = None
        self._patience = Patience(
            self._target, settings.serial if settings.over == "tcp" else None
        )
        self._is_frozen = False
        self._notes: list[str] = [] if settings.serial else [_UNNAMED]
        self._noted_version = ""

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(
            needs_supply=self._settings.over == "usb-switched",
            host_is_device=False,
            latency_s=LATENCY_S,
            gives=_GIVES,
            # A call that does not even end when killed is left behind.
            answers_within_s=self._settings.limit + REAPED_WITHIN_S + 0.5,
            silence_alarm_s=SILENCE_ALARM_S,
        )

    async def open(self) -> None:
        if self._server is not None:
            return
        wanted = self._place()
        server = await self._host.share(self._key, lambda: self._opened(wanted))
        if server.place != wanted:
            await self._host.release(self._key)
            raise Refused(
                f"another station uses the adb server on port {wanted.port} with "
                f"another program or other keys ({server.place.program})",
                target=self._target,
                remedy="Give all stations on one server_port the same program, home "
                "and vendor_keys: a client of another version ends the server",
            )
        self._server = server
        self._note_version(server)

    def _place(self) -> Place:
        settings = self._settings
        return Place(
            program=found_program(settings.program),
            port=settings.server_port,
            home=settings.home,
            vendor_keys=settings.vendor_keys,
        )

    async def _opened(self, place: Place) -> SharedLink[AdbServer]:
        server = AdbServer(place)
        try:
            await server.learn_version(self._settings.limit)
        except Hung as error:
            raise Unavailable(
                "the adb program did not even tell its version",
                target=place.program,
                remedy="Run `adb version` by hand",
            ) from error

        async def close() -> None:
            """Leave the server to the others of this machine that use it."""

        return SharedLink(server, close)

    def _note_version(self, server: AdbServer) -> None:
        version = server.version or "of unknown version"
        note = f"adb is {server.place.program}, {version}"
        if note != self._noted_version:
            self._noted_version = note
            self._notes.append(note)

    async def close(self) -> None:
        if self._server is not None:
            self._server = None
            self._patience.start_anew()
            if self._turn is not None:
                self._turn.give_way()  # a call under way is killed, not waited for
            await self._host.release(self._key)

    def take_notes(self) -> list[str]:
        taken, self._notes[:] = self._notes[:], []
        return taken

    # --- one reading ------------------------------------------------------------------

    async def read(self) -> Sample:
        server = self._server
        if server is None:
            raise Unavailable(
                "the gauge is not open",
                target=self._target,
                remedy="Open it before the first read",
            )
        self._patience.check(self._host.boot_ms())
        limit_s = self._settings.limit
        end_s = asyncio.get_running_loop().time() + limit_s
        try:
            async with server.turns.turn(
                self._settings.serial or "",
                is_suspect=self._patience.is_suspect,
                within_s=limit_s * WAITS_AT_MOST,
            ) as turn:
                if self._server is not server:
                    turn.give_way()  # closed while it waited for its turn
                self._turn = turn
                return await self._asked(_Call(server, turn, end_s))
        except TimeoutError as error:
            raise Unavailable(
                "no turn at the adb server, it was busy all the time",
                target=self._target,
                remedy="Poll less often, or give some devices a server of their own "
                "with server_port",
            ) from error
        except Hung as error:
            if self._server is not None:
                self._patience.hung(self._host.boot_ms())
            raise self._no_answer(error) from error
        finally:
            self._turn = None

    async def _asked(self, call: _Call) -> Sample:
        """Return the sample of one call, after what earlier failures ask for."""
        await self._connect_anew(call)
        began_ms = self._host.boot_ms()
        said = await call.run(*self._chosen, "shell", ASKED)
        took_s = (self._host.boot_ms() - began_ms) / 1_000
        answer = answer_in(said.out, said.err, design_ah=self._settings.design_ah)
        if isinstance(answer, Trouble):
            raise await self._met(answer, call)
        self._patience.answered("device")
        self._note_frozen(answer)
        return replace(answer, took_s=took_s)

    @property
    def _chosen(self) -> tuple[str, ...]:
        serial = self._settings.serial
        return () if serial is None else ("-s", serial)

    async def _connect_anew(self, call: _Call) -> None:
        """Take the steps that are due. Raises Hung; errors: those of a connection."""
        patience = self._patience
        now_ms = self._host.boot_ms()
        if (
            self._settings.restart_server
            and patience.wants_restart()
            and call.server.may_restart(now_ms)
        ):
            self._notes.append("the adb server is ended, as its device only hangs")
            await call.server.restart(now_ms, limit_s=call.left_s)
        for words in patience.take_steps():
            said = await call.run(*words)
            if words[0] != "connect":
                continue
            patience.is_connected = is_connected(said.all)
            if not patience.is_connected and (trouble := trouble_in(said.all)):
                raise await self._met(trouble, call)

    async def _met(self, trouble: Trouble, call: _Call) -> BackendError:
        """Return the error of what was told, and remember it."""
        self._patience.answered(trouble.state)
        if trouble.state == "no_server":
            call.server.lost()
        error = trouble.as_error(self._target)
        if trouble.state == "ambiguous":
            listed = devices_in((await call.run("devices", "-l")).out)
            there = ", ".join(
                f"{each.serial} {each.details}".strip() for each in listed
            )
            error = Refused(
                f"{trouble.what}: {there}", target=self._target, remedy=_CHOOSE
            )
        elif self.facts.needs_supply and trouble.state in _BLIND:
            error = trouble.error(
                f"{trouble.what} (as expected while its supply is off)",
                target=self._target,
                remedy=trouble.remedy,
            )
        return error

    def _no_answer(self, hung: Hung) -> Unavailable:
        if self._server is None:
            how = "the gauge was closed during its call"
        elif hung.gave_way:
            how = "its call lasted and gave way to other devices"
        else:
            how = f"no answer within {self._settings.limit:g} s, the call was killed"
        return Unavailable(
            how,
            target=self._target,
            remedy="Plug the device in again or restart it if this stays; "
            "restart_server = true ends a server that hangs",
        )

    def _note_frozen(self, sample: Sample) -> None:
        """Say that the service was frozen, once each time."""
        was_frozen = self._is_frozen
        self._is_frozen = sample.claims is WhyNot.UPDATES_STOPPED
        if self._is_frozen and not was_frozen:
            self._notes.append(_FROZEN)


@dataclass(frozen=True, slots=True)
class _Call:
    """One read's turn at the server, and when it must be over."""

    server: AdbServer
    turn: Turn
    end_s: float

    @property
    def left_s(self) -> float:
        """What is left of the read's time."""
        return max(0.0, self.end_s - asyncio.get_running_loop().time())

    async def run(self, *words: str) -> Said:
        """Run ``adb WORDS`` within what is left. Raises Hung; errors as the server's."""
        return await self.server.call(*words, limit_s=self.left_s, turn=self.turn)


BACKEND = Backend(kind="adb", settings=AdbSettings, make=AdbGauge, survey=survey)
