"""pymodbus's own server, in a thread of its own: a peer that is not ours at all.

Units have sixteen coils and some holding registers. One of these is a watchdog, which
pymodbus does not know: its ``action`` feeds it here, on the real clock, and it goes on
while the server is stopped, as a unit does whose cable is cut. ``frames`` are the bytes
as the server sees them.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

COILS = 16
WATCHDOG = 8  # holds tenths of a second; 0 is never
STEP_S = 0.1


class ModbusServer:
    """Units on a serial port that is there already, else behind a TCP port."""

    def __init__(
        self,
        port: Path | None = None,
        *,
        units: tuple[int, ...] = (1,),
    ) -> None:
        self._serial = port
        self._units = units
        self.tcp_port = 0
        self.frames: list[bytes] = []
        self._coils = {unit: [False] * COILS for unit in units}
        self._changed = threading.Condition()
        self._steps = dict.fromkeys(units, 0)
        self._fed_at_s = dict.fromkeys(units, 0.0)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._end: asyncio.Event | None = None
        self._server: Any = None
        self._failed: BaseException | None = None

    # ---- life

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()
        if self._failed is not None and error is None:
            raise self._failed

    def start(self) -> None:
        """Serve, on the TCP port of last time if there was one."""
        ready = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(ready,), daemon=True)
        self._thread.start()
        assert ready.wait(20), "pymodbus's server does not start"
        assert self._failed is None, self._failed

    def stop(self) -> None:
        """Stop serving; all connections are closed."""
        if self._thread is None:
            return
        assert self._loop is not None
        assert self._end is not None
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(timeout=20)
        assert not self._thread.is_alive(), "pymodbus's server does not end"
        self._thread = None

    # ---- what was seen

    def driven(self, coil: int = 0, unit: int = 1) -> bool:
        with self._changed:
            self._pass_time()
            return self._coils[unit][coil]

    def heard(self) -> list[bytes]:
        with self._changed:
            return list(self.frames)

    def wait_until(
        self, holds: Callable[[ModbusServer], bool], timeout_s: float = 20.0
    ) -> None:
        with self._changed:
            held = self._changed.wait_for(lambda: holds(self), timeout_s)
        assert held, f"not within {timeout_s} s; heard {self.heard()}"

    # ---- in the server's own loop

    def _run(self, ready: threading.Event) -> None:
        try:
            asyncio.run(self._serve(ready))
        except BaseException as error:  # noqa: BLE001 - told to whoever ends it
            self._failed = error
            ready.set()

    async def _serve(self, ready: threading.Event) -> None:
        self._loop = asyncio.get_running_loop()
        self._end = asyncio.Event()
        devices = [self._device(unit) for unit in self._units]
        if self._serial is not None:
            self._server = ModbusSerialServer(
                devices,
                port=str(self._serial),
                ignore_missing_devices=True,
                trace_packet=self._trace,
            )
        else:
            self._server = ModbusTcpServer(
                devices,
                address=("127.0.0.1", self.tcp_port),
                ignore_missing_devices=True,
                trace_packet=self._trace,
            )
        await self._server.serve_forever(background=True)
        if self._serial is None:
            self.tcp_port = self._server.transport.sockets[0].getsockname()[1]
        ready.set()
        while not self._end.is_set():
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(STEP_S / 4):
                    await self._end.wait()
            await self._bite()
        await self._server.shutdown()
        await asyncio.sleep(0)

    def _device(self, unit: int) -> SimDevice:
        self._pass_time()
        coils = list(self._coils[unit])

        async def action(
            function: int,
            start: int,
            address: int,
            count: int,
            registers: list[int],
            values: list[Any] | None,
        ) -> ExcCodes | None:
            del start, count, registers
            self._seen(unit, function, address, values)
            return None

        def block(kind: Any, value: Any, count: int = 1) -> list[SimData]:
            return [SimData(0, count=count, values=value, datatype=kind)]

        return SimDevice(
            unit,
            simdata=(
                block(DataType.BITS, coils),
                block(DataType.BITS, False, 16),  # noqa: FBT003 - its own API
                [
                    SimData(0, count=WATCHDOG, datatype=DataType.REGISTERS),
                    SimData(
                        WATCHDOG, values=self._steps[unit], datatype=DataType.REGISTERS
                    ),
                    SimData(WATCHDOG + 1, count=8, datatype=DataType.REGISTERS),
                ],
                block(DataType.REGISTERS, 0, 1),
            ),
            action=action,
        )

    def _seen(
        self, unit: int, function: int, address: int, values: list[Any] | None
    ) -> None:
        if function == 5 and values:
            self._move(unit, address, driven=bool(values[0]))
        if function == 6 and values and address == WATCHDOG:
            self._steps[unit] = values[0]
        # Any traffic keeps it quiet; function 15 is our own writing of its coils.
        if function != 15:
            self._fed_at_s[unit] = time.monotonic()

    async def _bite(self) -> None:
        """Let pymodbus's own coils follow a watchdog that ran out."""
        for unit in self._pass_time():
            released = [False] * COILS
            await self._server.context.async_setValues(unit, 15, 0, released)

    def _pass_time(self) -> list[int]:
        """Release what is due; returns the units whose time is over."""
        now_s, over = time.monotonic(), []
        with self._changed:
            for unit, steps in self._steps.items():
                if steps and now_s - self._fed_at_s[unit] >= steps * STEP_S:
                    over.append(unit)
                    self._coils[unit] = [False] * COILS
                    self._changed.notify_all()
        return over

    def _move(self, unit: int, coil: int, *, driven: bool) -> None:
        with self._changed:
            self._coils[unit][coil] = driven
            self._changed.notify_all()

    def _trace(self, sending: bool, data: bytes) -> bytes:
        if not sending:
            with self._changed:
                self.frames.append(data)
                self._changed.notify_all()
        return data
