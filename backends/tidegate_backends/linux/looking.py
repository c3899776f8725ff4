"""A survey that only looks at files; nothing has to be opened for it."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Iterable

from tidegate.contract import Found, Host, Survey


def survey_by(look: Callable[[], Iterable[Found]], *, key: str) -> Survey:
    """Return the survey that looks in a thread of its own, called after ``key``."""

    async def survey(host: Host, probe: str | None) -> AsyncIterator[Found]:
        del probe  # whatever it names, there is nothing to open
        for found in await host.worker(f"survey:{key}").call(look):
            yield found

    return survey
