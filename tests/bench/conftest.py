"""The fixture that takes figures, and the table that they end in.

Rows travel in the reports of the tests, so the table is there whichever benches ran,
wherever they ran, and whether they passed.
"""

from __future__ import annotations

import gc
import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from table import PROPERTY, Figures, Row, document, in_order, lines, row_of


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--figures-json",
        type=Path,
        default=None,
        metavar="FILE",
        help="write the table of the benches to FILE too, as JSON",
    )


@pytest.fixture(autouse=True)
def _garbage_as_ever() -> Iterator[None]:
    """A bench pays for its garbage what its user pays; other tests collect less."""
    seldom = gc.get_threshold()
    gc.set_threshold(700, 10, 10)  # CPython's own
    yield
    gc.set_threshold(*seldom)


@pytest.fixture
def figures(request: pytest.FixtureRequest) -> Figures:
    """Takes the rows of this test."""
    return Figures(request.node.user_properties)


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    rows = in_order(_rows(terminalreporter))
    if not rows:
        return
    terminalreporter.section("figures")
    for line in lines(rows):
        terminalreporter.write_line(line)
    # Without a default the option would be unknown where this file came in late.
    path: Path | None = config.getoption("figures_json", default=None)
    if path is not None:
        text = json.dumps(document(rows), indent=1, ensure_ascii=False)
        path.write_text(text + "\n", encoding="utf-8")


def _rows(terminalreporter: pytest.TerminalReporter) -> list[Row]:
    return [
        row_of(str(text))
        for reports in terminalreporter.stats.values()
        for report in reports
        if isinstance(report, pytest.TestReport) and report.when == "call"
        for name, text in report.user_properties
        if name == PROPERTY
    ]
