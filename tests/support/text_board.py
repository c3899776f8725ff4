"""A board that takes lines of text, on a pseudo-terminal: the peer of `serial-text`.

Shares no code with ours. Three ways of talking:

- ``ascii``: ``relay on 0`` CR and a prompt; echoes. From memory, no standard.
- ``at``: ``AT+ON1`` CR LF, answered with OK or ERROR. From memory, no standard.
- ``scpi``: headers, short and long, a channel list or a suffix, an error queue, as
  SCPI-1999 and IEEE 488.2 have them; the numbers of errors are those of SCPI-1999
  volume 2, SYSTem:ERRor. From memory. A query is answered, a command is not.

Faults: ``spoil`` with one of ``TEXT_SPOILS``; what only the port can do is of
``RelayBoard``: unplug and plug in, hold, freeze, say.
"""

from __future__ import annotations

import re
import threading
from dataclasses import dataclass, field

from support.relay_board import RelayBoard, _Spoil

TEXT_SPOILS = (
    "silent",
    "wrong",
    "stale",
    "cut",
    "other-state",
    "binary",
    "flood",
    "refuse",
    "raw",
)
_ENDS = {"ascii": b"\r", "at": b"\r\n", "scpi": b"\n"}


@dataclass
class TextBoard(RelayBoard):
    """The board. ``numbers`` are its channels, as its commands call them."""

    dialect: str = "ascii"
    numbers: tuple[int, ...] = (0, 1)
    echoes: bool = True
    gap_s: float = 0.0
    raw: bytes = b""
    queue: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__post_init__()
        self._coils = dict.fromkeys(self.numbers, False)
        self._slow = threading.Event()

    def said(self) -> list[str]:
        """What was said to the board so far, in order."""
        return [data.decode("latin-1") for data in self.heard()]

    def spoil(self, kind: str, times: int | None = None) -> None:
        assert kind in TEXT_SPOILS, kind
        with self._changed:
            self._spoil = _Spoil(kind, times)

    # ---- the board's own thread

    def _parse(self) -> None:
        end = _ENDS[self.dialect]
        while end in self._pending:
            line, _, rest = bytes(self._pending).partition(end)
            self._pending[:] = rest
            self._note(line)
            getattr(self, f"_obey_{self.dialect}")(line.decode("latin-1").strip())

    def _obey_ascii(self, line: str) -> None:
        echo = f"{line}\r\n" if self.echoes else ""
        match = re.fullmatch(r"relay (on|off|read) (\d+)", line)
        if match is None or int(match[2]) not in self._coils:
            self._reply("bad command", before=echo, after="\r\n>")
            return
        word, channel = match[1], int(match[2])
        if word == "read":
            state = "on" if self._coils[channel] else "off"
            self._reply(state, before=echo, after="\r\n>", channel=channel)
            return
        self._move_text(channel, driven=word == "on")
        self._reply("", before=echo, after=">")

    def _obey_at(self, line: str) -> None:
        echo = f"{line}\r\n" if self.echoes else ""
        match = re.fullmatch(r"AT\+(ON|OFF)(\d+)", line)
        if match is None or int(match[2]) not in self._coils or self._refuses():
            self._reply("ERROR", before=echo, after="\r\n")
            return
        self._move_text(int(match[2]), driven=match[1] == "ON")
        self._reply("OK", before=echo, after="\r\n")

    def _obey_scpi(self, line: str) -> None:
        upper = line.upper()
        if re.fullmatch(r"SYST(EM)?:ERR(OR)?(:NEXT)?\?", upper):
            self._reply(self.queue.pop(0) if self.queue else '0,"No error"')
        elif match := re.fullmatch(
            r"ROUT(?:E)?:(CLOS|CLOSE|OPEN)(\?)? \(@(\d+)\)", upper
        ):
            self._route(match[1] != "OPEN", bool(match[2]), int(match[3]))
        elif match := re.fullmatch(r"OUTP(?:UT)?(\d*)(\?| ON| OFF| 0| 1)", upper):
            wanted = match[2].strip()
            self._route(wanted in ("ON", "1"), wanted == "?", int(match[1] or 1))
        elif upper == "*RST":
            for channel in self._coils:
                self._move_text(channel, driven=False)
        else:
            self._fault('-113,"Undefined header"')

    def _route(self, closes: bool, asks: bool, channel: int) -> None:
        if channel not in self._coils:
            self._fault('-222,"Data out of range"')
        elif asks:
            self._reply("1" if self._coils[channel] else "0", channel=channel)
        elif self._refuses():
            self._fault('-221,"Settings conflict"')
        else:
            self._move_text(channel, driven=closes)

    def _fault(self, text: str) -> None:
        # A queue holds what it holds; the last place tells that more was lost.
        full = len(self.queue) >= 15
        self.queue.append('-350,"Queue overflow"' if full else text)

    def _move_text(self, channel: int, *, driven: bool) -> None:
        if not self._refuses():
            self._move(channel, driven=driven)

    def _refuses(self) -> bool:
        return self._spoil is not None and self._spoil.kind == "refuse"

    def _reply(
        self, text: str, *, before: str = "", after: str = "\r\n", channel: int = -1
    ) -> None:
        fair = f"{before}{text}{after}".encode()
        data = self._spoiled_text(text, fair, before, after, channel)
        if self._held is not None:
            self._held.append(data)
            return
        if self.gap_s == 0:
            self._send(data)
            return
        for byte in data:
            self._send(bytes((byte,)))
            self._slow.wait(self.gap_s)

    def _spoiled_text(
        self, text: str, fair: bytes, before: str, after: str, channel: int
    ) -> bytes:
        spoil = self._spoil
        if spoil is None or spoil.kind == "refuse":
            return fair
        if spoil.left is not None:
            spoil.left -= 1
            if spoil.left <= 0:
                self._spoil = None
        opposite = {"on": "off", "off": "on", "1": "0", "0": "1"}.get(text, "on")
        return {
            "silent": b"",
            "wrong": f"{before}maybe{after}".encode(),
            "stale": f"{opposite}\r\n".encode() + fair,
            "cut": f"{before}{text[:-1] or 'o'}".encode(),
            "other-state": f"{before}{opposite}{after}".encode(),
            "binary": b"\xff\x00\xa0" + fair,
            "flood": b"all is well\r\n" * 100,
            "raw": self.raw,
        }[spoil.kind]
