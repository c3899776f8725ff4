"""`reload`: take the settings files anew, with the keys that were just set in them."""

from __future__ import annotations

from collections.abc import Mapping
from functools import partial
from typing import TYPE_CHECKING, Any, Final

from tidegate.control.server import Ask, Talk
from tidegate.errors import Malformed
from tidegate.service.asked import arguments as given
from tidegate.service.reload import Asked

if TYPE_CHECKING:
    from tidegate.service.root import Service

KEYS_MOST: Final = 100


def asks(service: Service) -> dict[str, Ask]:
    """Return the order."""
    return {"reload": Ask(partial(_reload, service), orders=True)}


async def _reload(
    service: Service, arguments: Mapping[str, Any], talk: Talk
) -> Mapping[str, Any]:
    given.only(arguments, "keys", "file")
    given.check_settings(service, arguments)
    asked = Asked(
        by=talk.peer.name,
        keys=_keys(arguments),
        file=given.text(arguments, "file", default="", most=given.PATH_MOST) or None,
    )
    return (await service.reload.take(asked)).document()


def _keys(arguments: Mapping[str, Any]) -> tuple[str, ...]:
    value = arguments.get("keys", [])
    if not isinstance(value, list) or len(value) > KEYS_MOST:
        raise Malformed(
            f"the argument 'keys' needs a list of at most {KEYS_MOST} keys",
            target="control socket",
            remedy="Use the same tidegate for the daemon and for its commands",
        )
    return tuple(given.text({"keys": each}, "keys") for each in value)
