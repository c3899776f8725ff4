"""Programs that play the other side in tests."""

from __future__ import annotations

import os
import shutil

import pytest


def need(program: str) -> str:
    """Return the path of a peer; without it skip, or fail where nothing may be skipped.

    A run with ``CI=true`` has everything installed, so there a missing peer is a fault.
    """
    path = shutil.which(program)
    if path is not None:
        return path
    missing = f"the peer {program} is not installed"
    if os.environ.get("CI") == "true":
        pytest.fail(missing)
    pytest.skip(missing)
