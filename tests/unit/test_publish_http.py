"""Requests for the metrics, and what is answered.

Source: RFC 9112 sections 3 and 3.2; RFC 9110 sections 9.3.2 (HEAD), 12.5.1 (Accept),
15.5.6 and 15.5.20; the Accept field of a Prometheus server, from memory.
"""

from __future__ import annotations

import pytest

from tidegate.publish.http_request import Asked, answer, asked
from tidegate.publish.openmetrics import CLASSIC, OPENMETRICS

PROMETHEUS = (
    "application/openmetrics-text;version=1.0.0,"
    "application/openmetrics-text;version=0.0.1;q=0.75,"
    "text/plain;version=0.0.4;q=0.5,*/*;q=0.1"
)


def request(line: str, *fields: str, any_name: bool = False) -> Asked:
    return asked("\r\n".join([line, *fields]).encode("latin-1"), any_name=any_name)


HERE = "Host: 127.0.0.1:9464"


@pytest.mark.parametrize(
    ("line", "fields", "status"),
    [
        ("GET /metrics HTTP/1.1", [HERE], 200),
        ("HEAD /metrics HTTP/1.1", [HERE], 200),
        ("GET /metrics HTTP/1.0", [], 200),
        ("GET /metrics?x=1 HTTP/1.1", [HERE], 200),
        ("GET http://127.0.0.1:9464/metrics HTTP/1.1", [HERE], 200),
        ("GET /metrics HTTP/1.1", ["host: localhost:9464"], 200),
        ("GET /metrics HTTP/1.1", ["Host: [::1]:9464"], 200),
        ("GET / HTTP/1.1", [HERE], 404),
        ("GET /metrics/ HTTP/1.1", [HERE], 404),
        ("POST /metrics HTTP/1.1", [HERE], 405),
        ("DELETE /metrics HTTP/1.1", [HERE], 405),
        ("GET /metrics HTTP/1.1", [], 400),
        ("GET /metrics HTTP/1.1", [HERE, HERE], 400),
        ("GET /metrics HTTP/1.1", [HERE, "no colon"], 400),
        ("GET /metrics HTTP/1.1", [HERE, " folded: x"], 400),
        ("GET /metrics HTTP/2.0", [HERE], 400),
        ("GET  /metrics HTTP/1.1", [HERE], 400),
        ("GET http://[/metrics HTTP/1.1", [HERE], 404),
        ("\x16\x03\x01\x02", [], 400),
        ("GET /metrics HTTP/1.1", ["Host: evil.example"], 421),
        ("GET /metrics HTTP/1.1", ["Host: 127.0.0.1.evil.example"], 421),
    ],
)
def test_status(line: str, fields: list[str], status: int) -> None:
    assert request(line, *fields).status == status


def test_beyond_loopback_any_name_is_good() -> None:
    found = request("GET /metrics HTTP/1.1", "Host: tower.museum", any_name=True)
    assert found.status == 200


@pytest.mark.parametrize(
    ("accept", "media_type"),
    [
        (PROMETHEUS, OPENMETRICS),
        ("*/*", CLASSIC),
        ("", CLASSIC),
        ("text/html", CLASSIC),
        ("text/plain;version=0.0.4", CLASSIC),
        ("application/openmetrics-text", OPENMETRICS),
        ('application/openmetrics-text; version="1.0.0"', OPENMETRICS),
        ("application/openmetrics-text;version=0.0.1", CLASSIC),
        ("application/openmetrics-text;q=0", CLASSIC),
        ("application/openmetrics-text;q=0.3,text/plain;q=0.5", CLASSIC),
        ("text/plain;q=0.5,application/openmetrics-text;q=0.5", OPENMETRICS),
        ("application/openmetrics-text;q=high", CLASSIC),
        # The closest range counts: RFC 9110, section 12.5.1.
        ("application/openmetrics-text;q=0.1, */*", CLASSIC),
        ("application/openmetrics-text;q=0.1, text/*;q=0.2, */*;q=0", CLASSIC),
        ("application/openmetrics-text;q=0.3, text/plain;q=0.2, */*", OPENMETRICS),
    ],
)
def test_accept(accept: str, media_type: str) -> None:
    found = request("GET /metrics HTTP/1.1", HERE, f"Accept: {accept}")
    assert found.media_type == media_type


def test_head_has_the_length_and_no_body() -> None:
    said = answer(Asked(200, media_type=CLASSIC, is_head=True), b"12345")
    assert said.endswith(b"\r\n\r\n")
    assert b"Content-Length: 5\r\n" in said


@pytest.mark.parametrize("fields", [[], ["no colon"], ["Host: evil.example"]])
def test_head_has_no_body_where_the_answer_is_another(fields: list[str]) -> None:
    found = request("HEAD /metrics HTTP/1.1", *fields)
    assert found.status in (400, 421)
    assert answer(found, b"12345").endswith(b"\r\n\r\n")


def test_405_says_what_is_allowed() -> None:
    assert b"\r\nAllow: GET, HEAD\r\n" in answer(Asked(405), b"")
