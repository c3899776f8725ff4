"""A program that prints a JSON object with the quantities of a reading.

For devices whose battery only another program can read: a tablet's own tool in a
terminal, a remote machine, a laboratory instrument. The keys are those of
``tidegate read --json``, so its output is itself a valid answer. Only
``soc_percent`` must be there (null: the device gives no percentage).
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Callable, Mapping
from enum import StrEnum
from typing import Annotated, Any, Final, Literal, TypeGuard, TypeVar

from pydantic import Field

from tidegate.contract import Backend, Gauge, GaugeFacts, GaugeSettings, Host
from tidegate.core.reading import BatteryStatus, ExternalPower, Flag, Sample, WhyNot
from tidegate.errors import BackendError, Malformed, Refused, Unavailable
from tidegate_backends.programs import Ended, Programs
from tidegate_backends.seconds import Seconds
from tidegate_backends.wire import json_pointer

E = TypeVar("E", bound=StrEnum)

OUTPUT_AT_MOST: Final = 64 * 1024
_TEXT_AT_MOST: Final = 200
_RAW_AT_MOST: Final = 4_096
# No quantity of a battery comes near it, and whatever is reckoned with smaller ones
# stays finite. JSON's 1e400 is infinite to Python.
_NUMBER_AT_MOST: Final = 1e12


class CommandSettings(GaugeSettings):
    """The program and its arguments, run without a shell, once for each reading."""

    kind: Literal["command"] = "command"
    run: tuple[Annotated[str, Field(min_length=1)], ...] = Field(
        min_length=1, description="the program and its arguments, each by itself"
    )
    limit: Annotated[Seconds, Field(gt=0, le=60)] = Field(
        default=10.0,  # seconds
        description='the program is killed after this time, such as "10s"; an answer '
        "that takes longer than 5 s is not trusted",
    )
    needs_supply: bool = Field(
        default=False,
        description="the battery cannot be read while the supply is off",
    )
    host_is_device: bool = Field(
        default=True, description="tidegate runs on the device that it looks after"
    )


class CommandGauge(Gauge):
    """A program run once for each reading, in a process group of its own.

    Errors: Unavailable (no answer, or it failed), Refused (not permitted),
    Malformed (the answer is not what is wanted).
    """

    def __init__(self, settings: CommandSettings, host: Host) -> None:
        self._settings = settings
        self._host = host
        self._target = f"command {settings.run[0]}"
        self._programs = Programs()
        self._is_open = False

    @property
    def facts(self) -> GaugeFacts:
        return GaugeFacts(
            needs_supply=self._settings.needs_supply,
            host_is_device=self._settings.host_is_device,
            latency_s=self._settings.limit,
            # A little more, so that our own words about the limit come first.
            answers_within_s=self._settings.limit + 0.5,
            gives=frozenset(_QUANTITIES) - {"flags"},
        )

    async def open(self) -> None:
        self._is_open = True  # no program runs between two readings

    async def close(self) -> None:
        self._is_open = False

    async def read(self) -> Sample:
        if not self._is_open:
            raise Unavailable(
                "the gauge is not open",
                target=self._target,
                remedy="Open it before the first read",
            )
        began_ms = self._host.boot_ms()
        text = await self._output()
        took_s = (self._host.boot_ms() - began_ms) / 1_000
        return parse(text, target=self._target, took_s=took_s)

    async def _output(self) -> str:
        ended = await self._ended()
        if len(ended.out) > OUTPUT_AT_MOST:
            raise Malformed(
                f"more than {OUTPUT_AT_MOST // 1024} KiB of output",
                target=self._target,
                remedy="One JSON object is wanted, nothing else",
            )
        if ended.code:
            raise self._failure(ended)
        return ended.out.decode("utf-8", errors="replace")

    async def _ended(self) -> Ended:
        try:
            program = self._programs.begin(
                self._settings.run,
                kept_bytes=OUTPUT_AT_MOST + 1,
                is_over_when_full=True,
            )
            return await program.ended(self._settings.limit)
        except TimeoutError as error:
            raise Unavailable(
                f"no answer within {self._settings.limit:g} s",
                target=self._target,
                remedy="Run it by hand, or raise `limit`",
            ) from error
        except PermissionError as error:
            raise Refused(
                "not permitted to run it",
                target=self._target,
                remedy="Make the file executable for the service's user",
            ) from error
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise Unavailable(
                f"cannot be started ({reason})",
                target=self._target,
                remedy="Name an installed program, with its full path",
            ) from error

    def _failure(self, ended: Ended) -> BackendError:
        code, said = ended.code, ended.said[:_TEXT_AT_MOST]
        how = f"exit code {code}" if code > 0 else f"ended by signal {-code}"
        return Unavailable(
            f"{how}: {said}" if said else how,
            target=self._target,
            remedy="Run it by hand to see why; under systemd it may need the drop-in "
            "command.conf",
        )


def parse(text: str, *, target: str, took_s: float = 0.0) -> Sample:
    """Return the sample that a program's output describes. Errors: Malformed."""
    try:
        answer = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise _malformed(f"the output is not JSON ({error})", target) from error
    if not isinstance(answer, dict):
        raise _malformed("the output is not a JSON object", target)
    for key in answer:
        if key not in _QUANTITIES and key not in _ABOUT:
            raise _unknown(key, target)
    if "soc_percent" not in answer and answer.get("present") is not False:
        raise _malformed("the key soc_percent is missing", target)
    try:
        quantities = {
            key: convert(answer[key])
            for key, convert in _QUANTITIES.items()
            if answer.get(key) is not None
        }
        claims = _claims(answer)
    except _NotThis as error:
        raise _malformed(str(error), target) from error
    return Sample(**quantities, claims=claims, took_s=took_s, raw=text[:_RAW_AT_MOST])


class _NotThis(ValueError):
    """A value is not what its key wants."""


def _is_number(value: object) -> TypeGuard[int | float]:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) <= _NUMBER_AT_MOST


def _number(value: object) -> float:
    if not _is_number(value):
        raise _NotThis(f"a number is wanted, found {_shown(value)}")
    return float(value)


def _count(value: object) -> int:
    if not _is_number(value) or not isinstance(value, int):
        raise _NotThis(f"a whole number is wanted, found {_shown(value)}")
    return value


def _claim(value: object) -> bool:
    if not isinstance(value, bool):
        raise _NotThis(f"true or false is wanted, found {_shown(value)}")
    return value


def _word(value: object) -> str:
    if not isinstance(value, str):
        raise _NotThis(f"a text is wanted, found {_shown(value)}")
    return value[:_TEXT_AT_MOST]


def _one_of(words: type[E]) -> Callable[[object], E]:
    def convert(value: object) -> E:
        if not isinstance(value, str) or value not in list(words):
            allowed = ", ".join(words)
            raise _NotThis(f"one of {allowed} is wanted, found {_shown(value)}")
        return words(value)

    return convert


def _flags(value: object) -> frozenset[Flag]:
    if not isinstance(value, list):
        raise _NotThis(f"a list of flags is wanted, found {_shown(value)}")
    return frozenset(_one_of(Flag)(item) for item in value)


def _claims(answer: Mapping[str, object]) -> WhyNot | None:
    """Return the program's own verdict against its reading, if it has one."""
    why_not = answer.get("why_not")
    if why_not is not None:
        return _one_of(WhyNot)(why_not)
    if answer.get("trusted") is False:
        raise _NotThis("trusted is false, but why_not does not say why")
    return None


_QUANTITIES: Final[dict[str, Callable[[Any], Any]]] = {
    "soc_percent": _number,
    "battery_status": _one_of(BatteryStatus),
    "external_power": _one_of(ExternalPower),
    "present": _claim,
    "voltage_v": _number,
    "current_a": _number,
    "current_sign_trusted": _claim,
    "temperature_c": _number,
    "temperature_sensor": _word,
    "charge_ah": _number,
    "full_charge_ah": _number,
    "design_charge_ah": _number,
    "cycle_count": _count,
    "health": _word,
    "pack": _word,
    "uptime_s": _count,
    "flags": _flags,
}
# Part of `read --json` too: they are about the reading, not about the battery.
_ABOUT: Final = frozenset(
    {"station", "gauge", "taken_at", "trusted", "why_not", "took_s", "raw"}
)


def _no_constant(name: str) -> float:
    raise ValueError(f"{name} is not a number")


def _shown(value: object) -> str:
    return json_pointer.shown(value)[:60]


def _unknown(key: str, target: str) -> Malformed:
    near = difflib.get_close_matches(key, [*_QUANTITIES, *_ABOUT], n=1, cutoff=0.0)
    return _malformed(
        f"unknown key {key[:60]!r}; the nearest known is {near[0]}", target
    )


def _malformed(what: str, target: str) -> Malformed:
    return Malformed(
        what,
        target=target,
        remedy='Print one JSON object such as {"soc_percent": 61.5}',
    )


BACKEND = Backend(kind="command", settings=CommandSettings, make=CommandGauge)
