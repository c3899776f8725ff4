"""Token buckets: so many at once, so many a second for ever after.

Counted when somebody asks, never by a timer. Source: RFC 2697, section 3, of which
this is one of the two buckets.
"""

from __future__ import annotations

from typing import Final

# Buckets that are remembered; full ones go first, as they say nothing.
_KEPT: Final = 64


class Bucket:
    """Room for ``burst`` at once, filled by ``per_s`` each second."""

    def __init__(self, *, burst: float, per_s: float) -> None:
        self._burst, self._per_s = burst, per_s
        self._tokens = burst
        self._at_s: float | None = None

    def _fill(self, now_s: float) -> None:
        if self._at_s is not None:
            gained = max(0.0, now_s - self._at_s) * self._per_s
            self._tokens = min(self._burst, self._tokens + gained)
        self._at_s = now_s

    def take(self, now_s: float, tokens: float = 1.0) -> float:
        """Take a token; return how long to wait until it is really there."""
        self._fill(now_s)
        self._tokens -= tokens
        return max(0.0, -self._tokens / self._per_s)

    def wait_s(self, now_s: float) -> float:
        """Return how long it takes until a token is there; nothing is taken."""
        self._fill(now_s)
        return max(0.0, (1 - self._tokens) / self._per_s)

    def is_full(self, now_s: float) -> bool:
        """Return whether nothing was taken for long enough."""
        self._fill(now_s)
        return self._tokens >= self._burst


class Buckets:
    """One bucket for each user who asks; a new connection brings no new tokens."""

    def __init__(self, *, burst: float, per_s: float) -> None:
        self._burst, self._per_s = burst, per_s
        self._by_uid: dict[int, Bucket] = {}

    def take(self, uid: int, now_s: float) -> float:
        """Take one token of this user; return how long they have to wait."""
        if uid not in self._by_uid:
            self._forget(now_s)
            self._by_uid[uid] = Bucket(burst=self._burst, per_s=self._per_s)
        return self._by_uid[uid].take(now_s)

    def _forget(self, now_s: float) -> None:
        if len(self._by_uid) >= _KEPT:
            kept = {uid: b for uid, b in self._by_uid.items() if not b.is_full(now_s)}
            self._by_uid = kept
