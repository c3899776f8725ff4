"""What every test leaves behind as it found it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import structlog


@pytest.fixture(autouse=True)
def _structlog_as_found() -> Iterator[None]:
    """A command that runs in this process says where its messages go, for all."""
    yield
    structlog.reset_defaults()
