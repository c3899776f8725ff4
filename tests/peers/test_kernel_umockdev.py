"""Kernel and usb-port with a mock kernel: scenarios run under umockdev-wrapper."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.wrapped import names_in, outcomes_of

HERE = Path(__file__).parent
QUICK, LIVE = HERE / "umockdev_kernel.py", HERE / "umockdev_kernel_live.py"

pytestmark = pytest.mark.peer


@pytest.fixture(scope="module")
def quick(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return outcomes_of(QUICK, tmp_path_factory.mktemp("kernel"), timeout_s=100)


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    return outcomes_of(LIVE, tmp_path_factory.mktemp("kernel-live"), timeout_s=300)


@pytest.mark.parametrize("name", names_in(QUICK))
def test_on_a_mock_kernel(name: str, quick: dict[str, str]) -> None:
    assert quick.get(name, "it did not run") == ""


@pytest.mark.slow
@pytest.mark.timeout(320)
@pytest.mark.parametrize("name", names_in(LIVE))
def test_while_the_daemon_runs(name: str, live: dict[str, str]) -> None:
    assert live.get(name, "it did not run") == ""
