"""The protocol of sd_notify(3), and which process the watchdog asks.

The other end is a socket of the standard library; how the daemon uses it is in
``tests/simulation/test_manager.py``.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from support.manager_socket import ManagerSocket
from tidegate.core.effects import Reason
from tidegate.manager import notify
from tidegate.manager.notify import Notifier
from tidegate.manager.phrases import Said, sentence


@pytest.mark.parametrize("abstract", [False, True], ids=["a file", "an abstract name"])
def test_a_message_arrives(tmp_path: Path, *, abstract: bool) -> None:
    """sd_notify(3): "an @ in the first byte is replaced with \\0"."""
    name = f"@tidegate-{os.getpid()}-{tmp_path.name}" if abstract else tmp_path / "n"
    with ManagerSocket(name) as manager:
        notifier = Notifier.of({"NOTIFY_SOCKET": str(name)})
        assert notifier is not None
        assert notifier.tell(notify.READY, notify.status("all\nis  well"))
        assert manager.hear() == ["READY=1", "STATUS=all is well"]
        notifier.close()


@pytest.mark.parametrize("name", ["", "@", "/", "vsock:2:1234", "relative/name"])
def test_what_is_no_name_of_a_socket_is_no_manager(name: str) -> None:
    assert Notifier.of({"NOTIFY_SOCKET": name}) is None


def test_without_a_manager_there_is_none() -> None:
    assert Notifier.of({}) is None


def test_a_manager_that_is_gone_or_does_not_read_stops_nothing(tmp_path: Path) -> None:
    gone = Notifier(str(tmp_path / "gone"))
    assert not gone.tell(notify.PING)
    assert gone.dropped == 1
    gone.close()
    with ManagerSocket(tmp_path / "busy"):
        busy = Notifier(str(tmp_path / "busy"))
        for _ in range(100_000):  # until its queue is full
            if not busy.tell(notify.PING):
                break
        assert busy.dropped == 1
        busy.close()


def test_a_status_is_one_line_of_bounded_length() -> None:
    said = notify.status("x" * 5_000)
    assert said.startswith("STATUS=xxx")
    assert len(said) == len("STATUS=") + notify.STATUS_AT_MOST


@pytest.mark.parametrize(
    ("environ", "within_us"),
    [
        pytest.param({}, None, id="none is wanted"),
        pytest.param({"WATCHDOG_USEC": "300000000"}, 300_000_000, id="of everybody"),
        pytest.param(
            {"WATCHDOG_USEC": "300000000", "WATCHDOG_PID": "17"},
            300_000_000,
            id="of us",
        ),
        pytest.param(
            {"WATCHDOG_USEC": "300000000", "WATCHDOG_PID": "18"}, None, id="of another"
        ),
        pytest.param({"WATCHDOG_PID": "17"}, None, id="no time"),
        pytest.param({"WATCHDOG_USEC": "0"}, None, id="no time at all"),
        pytest.param({"WATCHDOG_USEC": "soon"}, None, id="no number"),
        pytest.param({"WATCHDOG_USEC": "-5"}, None, id="below zero"),
    ],
)
def test_whom_the_watchdog_asks(environ: dict[str, str], within_us: int | None) -> None:
    """sd_watchdog_enabled(3): WATCHDOG_PID names the process that is asked."""
    assert notify.watchdog_us(environ, pid=17) == within_us


# --- the sentence ---------------------------------------------------------------------


def said(reason: Reason, supply: str = "on", alarms: int = 0) -> Said:
    return Said(reason, supply, alarms)


@pytest.mark.parametrize(
    ("stations", "waiting", "unclosed", "wanted"),
    [
        pytest.param(
            {"hall": said(Reason.IN_WINDOW)}, {}, 0, "1 station: hall in its window"
        ),
        pytest.param(
            {
                "hall": said(Reason.BELOW_FLOOR, alarms=2),
                "lobby": said(Reason.IN_WINDOW),
                "tower": said(Reason.IN_WINDOW),
            },
            {},
            0,
            "3 stations: 2 in their window, "
            "hall supply on because the charge reached the floor, 2 alarms",
        ),
        pytest.param(
            {"hall": said(Reason.MEASURE_ONLY), "lobby": said(Reason.MEASURE_ONLY)},
            {"tower": "has not answered yet"},
            1,
            "3 stations: 2 only measure, tower has not answered yet, "
            "restarted once within the hour after a kill or a fault",
        ),
        pytest.param(
            {f"guide-{n}": said(Reason.AT_HIGH_MARK, "off") for n in range(20)},
            {},
            0,
            "20 stations: "
            + ", ".join(
                f"guide-{n} supply off because the charge is at the high mark"
                for n in range(6)
            )
            + ", and 14 more",
        ),
    ],
)
def test_the_sentence(
    stations: dict[str, Said], waiting: dict[str, str], unclosed: int, wanted: str
) -> None:
    assert sentence(stations, waiting=waiting, unclosed=unclosed) == wanted


@pytest.mark.parametrize("reason", Reason)
def test_every_reason_has_words(reason: Reason) -> None:
    assert sentence({"hall": said(reason)}, waiting={}, unclosed=0)
