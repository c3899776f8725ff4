"""What every test leaves behind as it found it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import structlog
from hypothesis import settings

# A law is no timed test: a busy machine must not break one.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


@pytest.fixture(autouse=True)
def _structlog_as_found() -> Iterator[None]:
    """A command that runs in this process says where its messages go, for all."""
    yield
    structlog.reset_defaults()
