"""Whatever asks for the metrics, stands in the environment, or is typed as a setting."""

from __future__ import annotations

from collections.abc import Mapping

import click
import pytest
from hypothesis import strategies as st

from support.fuzz import HOSTILE, depths, hold, spoiled
from tidegate.cli.set_key import key_of, value_of
from tidegate.manager import notify
from tidegate.publish.endpoint import REQUEST_AT_MOST
from tidegate.publish.http_request import Asked, answer, asked, said

# After RFC 9112 (synthetic).
REQUESTS = [
    b"GET /metrics HTTP/1.1\r\nHost: localhost:9101\r\nAccept: application/openmetrics-"
    b"text;version=1.0.0;q=0.6,text/plain;version=0.0.4;q=0.5,*/*;q=0.1",
    b"HEAD /metrics?x=1 HTTP/1.0",
    b"GET http://[::1]:9101/metrics HTTP/1.1\r\nHost: [::1]:9101\r\nX: \t a b \t",
]


def request_law(head: bytes) -> None:
    """Law: a request comes to a status, and only a sound one to the metrics."""
    found = asked(head, any_name=False)
    assert found.status in (200, 400, 404, 405, 421)
    if found.status == 200:
        assert head.split(b" ")[0] in (b"GET", b"HEAD")
        assert b"/metrics" in head
    whole = answer(found, said(found.status))
    assert whole.count(b"\r\n\r\n") == 1
    if asked(head, any_name=True).status == 421:
        raise AssertionError("any name is good")


@depths(25)
def test_any_head_is_a_request_or_a_bad_one(examples: int) -> None:
    known = [REQUESTS[0] + b"\r\nX:" + token for token in HOSTILE]
    hold(request_law, spoiled(REQUESTS), examples=examples, known=known)


@pytest.mark.parametrize("blank", [b" ", b"\t"])
def test_blanks_without_end_are_no_hours_of_work(blank: bytes) -> None:
    """Of 8 KiB of blanks with a lone line feed in them each way to part them was tried."""
    blanks = blank * (REQUEST_AT_MOST // 2 - 100)
    head = REQUESTS[0] + b"\r\nX: " + blanks + b"\n" + blanks
    assert asked(head, any_name=True) == Asked(400)
    sound = asked(REQUESTS[0] + b"\r\nX: a" + blanks + b"b", any_name=True)
    assert sound.status == 200


def test_the_blanks_around_a_value_are_none_of_it() -> None:
    there = asked(b"GET /metrics HTTP/1.1\r\nHost:\t localhost \t", any_name=False)
    elsewhere = asked(b"GET /metrics HTTP/1.1\r\nHost:museum.example", any_name=False)
    assert (there.status, elsewhere.status) == (200, 421)


def test_what_no_file_can_hold_is_no_key_and_no_number() -> None:
    """Both ended `settings set` with a fault of ours."""
    huge = "0x" + "f" * 5_000
    assert value_of(huge) == huge
    assert value_of(f"[{huge}]") == f"[{huge}]"
    assert value_of(str(2**63 - 1)) == 2**63 - 1
    with pytest.raises(click.UsageError, match="is no key"):
        key_of("hall." + ".".join("a" * 1_500), ["hall"])
    assert key_of("hall.window.low", ["hall"]) == ("station", "hall", "window", "low")


@depths(15)
def test_any_environment_names_a_manager_or_none(examples: int) -> None:
    def law(environ: Mapping[str, str]) -> None:
        within_us = notify.watchdog_us(environ, pid=1)
        assert within_us is None or 0 < within_us < 10**20
        notifier = notify.Notifier.of(environ)
        if notifier is not None:
            assert notifier.tell(notify.READY, notify.status("a\nb")) is False
            assert notifier.dropped == 1
            notifier.close()

    names = [notify.SOCKET, notify.WATCHDOG_USEC, notify.WATCHDOG_PID]
    places = [
        b"/run/none/notify",
        b"@none-of-ours",
        b"vsock:2:1",
        b"30000000",
        b"1",
        b"/",
    ]
    # What no environment can hold is left out: it is made of texts that end with NUL.
    texts = spoiled(places).map(lambda data: data.decode("utf-8", "surrogateescape"))
    held = st.dictionaries(
        st.sampled_from(names), texts.map(lambda t: t.replace("\0", ""))
    )
    known = [{notify.WATCHDOG_USEC: "9" * 5_000}, {notify.SOCKET: "/" + "x" * 500}]
    hold(law, held, examples=examples, known=known)
