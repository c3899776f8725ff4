"""What every test leaves behind as it found it."""

from __future__ import annotations

import gc
from collections.abc import Iterator

import pytest
import structlog
from hypothesis import settings

# What ten thousand tests are made of is no garbage, and looking through it again and
# again took an eighth of the suite's processor time. Benches look as often as ever.
gc.set_threshold(50_000, 20, 20)

# A law is no timed test: a busy machine must not break one.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")


def pytest_configure(config: pytest.Config) -> None:
    """Who draws lots here has a ``Random`` with a seed: nobody needs the common one.

    Setting that back three times a test, and numpy's too, took longer than many a test.
    """
    if config.pluginmanager.has_plugin("randomly"):
        config.option.randomly_reset_seed = False


def pytest_collection_finish() -> None:
    """What is there by now stays to the end: it is not looked through any more."""
    gc.freeze()


@pytest.fixture(autouse=True)
def _structlog_as_found() -> Iterator[None]:
    """A command that runs in this process says where its messages go, for all."""
    yield
    structlog.reset_defaults()
