"""What the answer of a network socket means: done, refused, or its state.

A peer may repeat what it was sent, so nothing of an answer is quoted unless it went
through ``hide``; errors carry no chain where that would hold the answer.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from tidegate.core.reading import Supply
from tidegate.errors import BackendError, Malformed, Refused, Unavailable
from tidegate_backends.network.requests import Expect, State
from tidegate_backends.wire import http1, json_pointer

LOGIN: Final = (401, 403)
# "Later": request timeout, too early, too many requests (RFC 9110, 8470, 6585).
_LATER: Final = (408, 425, 429)


@dataclass(frozen=True, slots=True, kw_only=True)
class Judge:
    """Reads the answers to one request; ``what`` names it, without its secrets."""

    target: str
    what: str
    hide: Callable[[str], str]

    def check(self, said: http1.Answer, expect: Expect) -> None:
        """Raise what it means, unless the answer is as expected."""
        if not 200 <= said.status <= 299:
            raise self._not_done(said)
        if expect.status and said.status not in expect.status:
            wanted = " or ".join(map(str, expect.status))
            raise self._refused(f"it answered {said.status}, expected is {wanted}")
        if expect.pointer is not None:
            value = self._value(said, expect.pointer)
            if not json_pointer.same(value, expect.equals):
                raise self._refused(
                    f"{expect.pointer} is {self._shown(value)}, expected is "
                    f"{json.dumps(expect.equals)}"
                )
        if expect.regex is not None and not re.search(expect.regex, said.text):
            raise self._refused("the answer does not match what is expected")

    def supply(self, said: http1.Answer, state: State) -> Supply:
        """Return the state that an answer tells. Errors: Malformed."""
        if state.pointer is not None:
            value = self._value(said, state.pointer)
        else:
            assert state.regex is not None
            found = re.search(state.regex, said.text)
            if found is None:
                raise self._malformed("the answer does not match what tells the state")
            value = found[1] if found.re.groups else found[0]
        for word, supply in ((state.on, Supply.ON), (state.off, Supply.OFF)):
            if json_pointer.same(value, word):
                return supply
        raise self._malformed(f"the state {self._shown(value)} is neither on nor off")

    def _not_done(self, said: http1.Answer) -> BackendError:
        what = f"it answered {said.status} to {self.what}"
        if said.status in LOGIN:
            scheme = (said.challenge or "").partition(" ")[0].lower()
            if scheme in ("", "basic", "bearer"):
                remedy = "Check the file of credentials, and what that user may do."
            else:
                remedy = "Allow Basic or a bearer token on it; no other is known here."
            return self._refused(f"{what}: it does not let us in", remedy)
        if said.status in _LATER or said.status >= 500:
            return Unavailable(
                what, target=self.target, remedy="If it stays so, restart the socket."
            )
        if 300 <= said.status <= 399:
            return self._refused(
                f"{what}: it points to another address, which is not followed",
                "Write that address into the settings, if it is the socket's own.",
            )
        return self._refused(what, "Check method, address and body of the request.")

    def _value(self, said: http1.Answer, pointer: str) -> Any:
        try:
            return json_pointer.resolve(json.loads(said.body), pointer)
        except json_pointer.NoSuchValue as error:
            raise self._malformed(f"in its answer {error}") from error
        except (ValueError, RecursionError):
            raise self._malformed("its answer is not JSON") from None

    def _shown(self, value: object) -> str:
        return self.hide(json_pointer.shown(value))[:40]

    def _refused(self, what: str, remedy: str = "") -> Refused:
        return Refused(
            what,
            target=self.target,
            remedy=remedy or "Try the request by hand, and check `expect`.",
        )

    def _malformed(self, what: str) -> Malformed:
        return Malformed(
            what,
            target=self.target,
            remedy="Ask it by hand and compare with the settings.",
        )
