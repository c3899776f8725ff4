"""What may stand around the daemon: the control socket, the service manager, sinks.

A part that fails never stops control: what it raises while it begins is said, and the
daemon goes on without it. A part that the settings leave off is not imported.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final, Protocol, runtime_checkable

from tidegate.service.lock_part import LockPart
from tidegate.service.plans_part import PlansPart

if TYPE_CHECKING:
    from tidegate.service.root import Service
    from tidegate.settings import Settings

# What a part may take to end, all of them at the same time.
END_LIMIT_S: Final = 2.0


class Part(Protocol):
    """Something that begins with the daemon and ends with it."""

    name: str

    async def begin(self, service: Service) -> None:
        """Begin; the stations are made and not yet started.

        Errors: TidegateError, OSError; the daemon then goes on without this part.
        """

    async def end(self) -> None:
        """End; the stations have stopped. Cut short after ``END_LIMIT_S``."""


@runtime_checkable
class Reloadable(Protocol):
    """A part that takes new settings while it runs.

    ``tables`` are those of the settings that it takes, by name; any other that
    changes needs a restart, and the service keeps the old one.
    """

    name: str
    tables: tuple[str, ...]

    def settings_changed(self, service: Service) -> None:
        """Take ``service.settings``; called after every reload that was right.

        Errors: TidegateError, OSError; both are said, and all else goes on.
        """


def parts_of(settings: Settings) -> tuple[Part, ...]:
    """Return the parts that these settings, and whoever started us, switch on."""
    parts: list[Part] = [LockPart()]
    if settings.control.enabled:
        from tidegate.service.control_part import ControlPart

        parts.append(ControlPart(settings.control))
    if "NOTIFY_SOCKET" in os.environ:
        from tidegate.manager.part import Manager

        manager = Manager.of()
        if manager is not None:
            parts.append(manager)
    if settings.alarm.run is not None:
        from tidegate.service.alarm_part import AlarmPart

        parts.append(AlarmPart(settings.alarm))
    metrics = settings.metrics
    if metrics.textfile or metrics.listen or settings.mqtt.broker:
        from tidegate.publish.part import published

        parts += published(settings)
    # The last one: whoever looks on sees a reading before what the plans make of it.
    return (*parts, PlansPart())
