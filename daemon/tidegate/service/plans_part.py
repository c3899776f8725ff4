"""The plans as a part of the daemon: there as soon as any station has one."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import tzinfo

    from tidegate.plans.outlook import Outlook
    from tidegate.plans.part import Plans
    from tidegate.service.root import Service


class PlansPart:
    """Loads the planner where a station has a plan, or was left in one.

    ``zone`` is the local time of the settings, ``None`` that of this machine.
    """

    name = "plans"
    tables: tuple[str, ...] = ()

    def __init__(self, *, zone: tzinfo | None = None) -> None:
        self._zone = zone
        self.plans: Plans | None = None

    async def begin(self, service: Service) -> None:
        """Begin if there is anything to plan."""
        if self._is_needed(service):
            self._load(service)
            assert self.plans is not None
            await self.plans.begin()

    async def end(self) -> None:
        """Let the marks be."""
        if self.plans is not None:
            await self.plans.end()

    def settings_changed(self, service: Service) -> None:
        """Follow the new settings; begin if there was nothing to plan before."""
        if self.plans is None and self._is_needed(service):
            self._load(service)
            assert self.plans is not None
            service.onlookers.append(self.plans.happened)
        if self.plans is not None:
            self.plans.settings_changed()

    def _load(self, service: Service) -> None:
        from tidegate.plans.part import Plans

        self.plans = Plans(service, zone=self._zone)

    def _is_needed(self, service: Service) -> bool:
        stations = service.settings.stations.values()
        return any(each.has_plans for each in stations) or any(
            each.is_in_a_plan for each in service.stations.values()
        )


def outlook(service: Service, station: str) -> Outlook | None:
    """Return the plan of a station that is in force, else its next one.

    ``None`` where it has none. ``Outlook.document()`` is for a status document (keys
    with units, times in UTC), ``Outlook.says`` a phrase for people such as "window 75
    to 85 % because of a planned rise until Thu 24 Dec 22:00".
    """
    for part in service.parts_begun:
        if isinstance(part, PlansPart) and part.plans is not None:
            return part.plans.outlook(station)
    return None
