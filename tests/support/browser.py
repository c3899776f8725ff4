"""Debian's Chromium, driven by Playwright and cut off from every network."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from support.peers import need

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def playwright() -> Any:
    """Return Playwright's module; without it skip, or fail where nothing may be."""
    try:
        from playwright import sync_api
    except ImportError:
        missing = "the Python package playwright is not installed"
        if os.environ.get("CI") == "true":
            pytest.fail(missing)
        pytest.skip(missing)
    return sync_api


@contextmanager
def chromium() -> Iterator[Any]:
    """Yield a running browser; every profile is new and thrown away."""
    api = playwright()
    path = need("chromium")
    with api.sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=path, headless=True, args=list(FLAGS)
        )
        try:
            yield browser
        finally:
            browser.close()


@dataclass
class Opened:
    """A page in its own context, with what it asked for and what it complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def measured(self, script: str) -> Any:
        """Return what a piece of the test's own script finds on the page."""
        return self.page.evaluate(script)


@contextmanager
def opened(
    browser: Any,
    file: Path,
    *,
    width: int = 1440,
    scheme: str = "light",
    media: str = "screen",
    script: bool = True,
) -> Iterator[Opened]:
    """Open a file; whatever else it asks for is noted and refused."""
    context = browser.new_context(
        viewport={"width": width, "height": 900},
        color_scheme=scheme,
        java_script_enabled=script,
        offline=True,
    )
    try:
        page = context.new_page()
        found = Opened(page)
        address = file.resolve().as_uri()

        def answer(route: Any) -> None:
            if route.request.url == address:
                route.continue_()
            else:
                found.requests.append(route.request.url)
                route.abort()

        page.route("**/*", answer)
        page.on(
            "request",
            lambda request: (
                request.url != address
                and not request.url.startswith("data:")
                and found.requests.append(request.url)
            ),
        )
        page.on("console", lambda message: found.complaints.append(message.text))
        page.on("pageerror", lambda error: found.complaints.append(str(error)))
        page.emulate_media(media=media, color_scheme=scheme)
        page.goto(address)
        yield found
    finally:
        context.close()
