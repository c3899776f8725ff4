"""What the control socket can be asked, one module a question.

Each module has ``asks(service)``, which returns its questions by name. Whatever a
handler takes from ``arguments`` may have been written by anyone: ``arguments`` of this
package checks it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tidegate.control.server import Ask

if TYPE_CHECKING:
    from tidegate.service.root import Service


def table(service: Service) -> dict[str, Ask]:
    """Return all that this daemon can be asked."""
    from tidegate.service.asked import override, prove, read, reload, status

    asks: dict[str, Ask] = {}
    for module in (override, prove, read, reload, status):
        asks |= module.asks(service)
    return asks
