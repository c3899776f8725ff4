"""What ``watch`` shows of a status document: on a screen, or a line for each change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any, Final

from tidegate.cli.screen import fitted, wrapped
from tidegate.cli.status import next_text, service_lines, station_lines
from tidegate.core.policy import HOUR_MS, Marks
from tidegate.errors import LogError
from tidegate.report.blocks import LEAST_HEIGHT, LEAST_WIDTH, Ink, picture
from tidegate.report.lately import Lately, Sight, of_log
from tidegate.words import visible

# A picture higher than this tells no more.
HEIGHT_MOST: Final = 24
# Of more stations than this no log is read: nobody has so high a terminal.
PICTURES_MOST: Final = 8


@dataclass(slots=True, kw_only=True)
class View:
    """What is known by now: the last document, when it came, and the last hours.

    ``away`` is why no document comes any more, empty while they do.
    """

    hours: float
    document: Mapping[str, Any] = field(default_factory=dict)
    came_ms: int = 0
    away: str = ""
    lately: dict[str, Lately] = field(default_factory=dict)
    log_error: str = ""

    @property
    def stations(self) -> list[Mapping[str, Any]]:
        """The stations of the last document."""
        return list(self.document.get("stations", ()))

    def take(self, document: Mapping[str, Any], now_ms: int) -> None:
        """Take the next document; ``now_ms`` is UTC."""
        self.document, self.came_ms, self.away = document, now_ms, ""
        for station in self.stations[:PICTURES_MOST]:
            name = station["station"]
            if name not in self.lately:
                self.lately[name] = self._begun(name, now_ms)
            lately = self.lately[name]
            # Only the first document of a daemon has them.
            lately.read_before(map(_point, station.get("recent", ())))
            lately.take(_sight(station, now_ms))

    def _begun(self, name: str, now_ms: int) -> Lately:
        """Begin with the last hours of the log, if we may read it."""
        keep_ms = round(self.hours * HOUR_MS)
        log = Path(self.document["service"]["log"])
        try:
            told = of_log(log, name, since_ms=now_ms - keep_ms)
        except (LogError, OSError) as error:
            self.log_error = str(error).splitlines()[0]
            told = None
        return Lately(name, keep_ms=keep_ms, told=told)


def _point(reading: Mapping[str, Any]) -> tuple[int, float]:
    at = datetime.fromisoformat(reading["at"])
    return round(at.timestamp() * 1_000), reading["soc_percent"]


def _sight(station: Mapping[str, Any], now_ms: int) -> Sight:
    age_s, window = station["gauge_age_s"], station["window"]
    marks = window and Marks(
        low_percent=window["low_percent"], high_percent=window["high_percent"]
    )
    return Sight(
        now_ms=now_ms,
        read_ms=None if age_s is None else now_ms - round(age_s * 1_000),
        soc_percent=station["soc_percent"],
        temperature_c=station["temperature_c"],
        supply=station["supply"],
        alarms=frozenset(alarm["code"] for alarm in station["alarms"]),
        marks=marks,
        floor_percent=station["floor_percent"],
    )


# --- on a screen -----------------------------------------------------------------------


def frame(
    view: View, *, width: int, height: int, ink: Ink, zone: tzinfo, now_ms: int
) -> list[str]:
    """Return the lines of a screen: each station, its picture, then the daemon.

    Never more than ``height``, and none wider than ``width``.
    """
    foot = _foot(view, width)
    passed_s = max(0, now_ms - view.came_ms) / 1_000
    texts = [_text(_aged(each, passed_s), width) for each in view.stations]
    free = height - len(foot) - sum(len(text) for text in texts)
    lines: list[str] = []
    alarmed: dict[str, int] = {}  # alarms are the last that is said of a station
    for place, (station, text) in enumerate(zip(view.stations, texts, strict=True)):
        share = min(HEIGHT_MOST, free // max(1, min(len(texts) - place, free // 9)))
        lately = view.lately.get(station["station"])
        lines.append(text[0])
        if lately and width >= LEAST_WIDTH and share >= LEAST_HEIGHT:
            size = {"width": width, "height": share}
            lines += picture(lately.told, **size, ink=ink, zone=zone)
            free -= share
        lines += text[1:]
        if station["alarms"]:
            alarmed[station["station"]] = len(lines)
    # However low the screen, the verdict comes first.
    room = max(1, height - len(foot))
    if len(lines) > room:
        kept = max(1, room - 1)
        hidden = [name for name, end in alarmed.items() if end > kept]
        more = f"and {len(lines) - kept} lines more{_alarms_of(hidden)}"
        lines = [*lines[:kept], fitted(more, width)]
    return [*lines, *foot][:height]


def _alarms_of(names: list[str]) -> str:
    return f", {len(names)} in alarm: {visible(', '.join(names))}" if names else ""


def _text(station: Mapping[str, Any], width: int) -> list[str]:
    found = []
    for line in station_lines(station):
        found += _wrapped(visible(line), width)
    return found


def _wrapped(line: str, width: int) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 2)
    lines = wrapped(line, max(20, width), indent=indent)
    return [fitted(each, width) for each in lines]


def _foot(view: View, width: int) -> list[str]:
    lines = [visible(line) for line in service_lines(view.document["service"])]
    if view.log_error:
        lines.append(f"the picture begins now: {visible(view.log_error)}")
    if view.away:
        lines.append(f"not current: {visible(view.away)}; trying again")
    caution = "A control, not a safeguard. Ctrl-C ends."
    return [part for line in [*lines, caution] for part in _wrapped(line, width)]


def _aged(station: Mapping[str, Any], passed_s: float) -> dict[str, Any]:
    """Return a station of a document as it is so much later."""
    aged = dict(station)
    if aged["gauge_age_s"] is not None:
        aged["gauge_age_s"] += passed_s
    if aged["next"] is not None:
        left_s = max(0, aged["next"]["in_s"] - round(passed_s))
        aged["next"] = {**aged["next"], "in_s": left_s}
    return aged


# --- in lines --------------------------------------------------------------------------


class Lines:
    """A line for each change that a person would want to know."""

    def __init__(self) -> None:
        self._told: dict[str, tuple[object, ...]] = {}
        self._alarms: dict[str, set[str]] = {}
        self._service: list[str] = []

    def of(self, document: Mapping[str, Any], at: datetime) -> list[str]:
        """Return what is new in a document."""
        found = []
        for station in document["stations"]:
            found += self._of(station)
        said, before = service_lines(document["service"]), self._service
        found += [line for line in said if line not in before]
        self._service = said
        stamp = f"{at:%H:%M:%S %Z}"
        return [visible(f"{stamp} {line}") for line in found]

    def _of(self, station: Mapping[str, Any]) -> list[str]:
        name, found = station["station"], []
        coming = station["next"] or {}
        # The charge alone is no news: it changes all the time.
        telling = (
            *(station[key] for key in ("supply", "reason", "override", "out")),
            coming.get("what"),
            (station["plan"] or {}).get("in_force"),
        )
        if self._told.get(name) != telling:
            self._told[name] = telling
            then = next_text(station)
            found.append(f"{name}: {station['text']}" + f"; next: {then}" * bool(then))
        texts = {each["code"]: each["text"] for each in station["alarms"]}
        before = self._alarms.get(name, set())
        found += [f"{name}: alarm {c}: {texts[c]}" for c in sorted(set(texts) - before)]
        found += [f"{name}: alarm {c} is over" for c in sorted(before - set(texts))]
        self._alarms[name] = set(texts)
        return found
