"""The topics of an `mqtt` relay as an operator writes them, and what they say.

Source: MQTT 5.0 (OASIS), section 4.7 (topic names); RFC 6901 (JSON pointer).
"""

from __future__ import annotations

import json
from typing import Annotated, Final, Self

from pydantic import Field, StringConstraints, model_validator

from tidegate.core.reading import Supply
from tidegate.errors import Malformed, Unavailable
from tidegate_backends.network.requests import Part, Word, pointer_is_sound
from tidegate_backends.wire import json_pointer

# No wildcards: those are for subscribers to many topics (MQTT 5.0, section 4.7). No
# control characters: a broker may end the connection for one (section 1.5.4).
_BARRED: Final = r"+#\x00-\x1f\x7f-\x9f"
Topic = Annotated[
    str,
    StringConstraints(pattern=rf"^[^${_BARRED}][^{_BARRED}]*$", max_length=500),
]


class Command(Part):
    """What the socket obeys."""

    topic: Topic
    on: str = Field(default="ON", max_length=2_000)
    off: str = Field(default="OFF", max_length=2_000)


class State(Part):
    """Where the socket reports what it is; it keeps that retained."""

    topic: Topic
    pointer: str | None = Field(
        default=None, description="JSON pointer, where the report is a JSON document"
    )
    on: Word = Field(default="ON", description="how it says that the supply is on")
    off: Word = Field(default="OFF", description="how it says that it is off")

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        pointer_is_sound(self.pointer)
        if json_pointer.same(self.on, self.off):
            raise ValueError("on and off are the same word")
        if self.pointer is None and not isinstance(self.on, str):
            raise ValueError("without a pointer, on and off are text in quotes")
        return self

    def supply(self, raw: bytes, *, target: str) -> Supply:
        """Return what a report says. Errors: Malformed."""
        value: object = raw.decode("utf-8", errors="replace")
        if self.pointer is not None:
            try:
                value = json_pointer.resolve(json.loads(raw), self.pointer)
            except json_pointer.NoSuchValue as error:
                raise _malformed(f"in its report {error}", target) from error
            except (ValueError, RecursionError) as error:
                raise _malformed("its report is not JSON", target) from error
        for word, supply in ((self.on, Supply.ON), (self.off, Supply.OFF)):
            if json_pointer.same(value, word):
                return supply
        shown = json_pointer.shown(value)[:40]
        raise _malformed(f"it reports {shown}, neither on nor off", target)


class Availability(Part):
    """Where it stands, retained, whether the socket is there."""

    topic: Topic
    online: str = Field(default="online", description="how it says so")
    offline: str = Field(default="offline", description="how it says that it is not")

    def check(self, raw: bytes, *, target: str) -> None:
        """Return where it says that the socket is there.

        Errors: Unavailable where it is not, Malformed where it says something else.
        """
        word = raw.decode("utf-8", errors="replace")
        if word == self.offline:
            raise Unavailable(
                "the broker says that the socket is offline",
                target=target,
                remedy="Check the socket's power and network.",
            )
        if word != self.online:
            shown = json_pointer.shown(word)[:40]
            raise _malformed(
                f"{self.topic} says {shown}, neither online nor offline", target
            )


def _malformed(what: str, target: str) -> Malformed:
    return Malformed(
        what,
        target=target,
        remedy="Read the topic with another client and compare with the settings.",
    )
