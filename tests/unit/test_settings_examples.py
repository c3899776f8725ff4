"""Every annotated example in config/ loads, and says what its text promises."""

from __future__ import annotations

from pathlib import Path

import pytest

from tidegate.settings import load

CONFIG = Path(__file__).parents[2] / "config"
# Forms of `tidegate triage` are no settings; test_triage_form.py loads them.
FORMS = "inspection"
MAIN_FILES = sorted(
    file for file in CONFIG.rglob("*.toml") if file.parent.name not in ("conf.d", FORMS)
)


def test_there_are_examples() -> None:
    assert {file.relative_to(CONFIG).as_posix() for file in MAIN_FILES} >= {
        "minimal.toml",
        "annotated.toml",
        "one-relay-board.toml",
        "measure-only.toml",
        "command.toml",
        "drop-in/tidegate.toml",
    }


@pytest.mark.parametrize("file", MAIN_FILES, ids=lambda file: file.name)
def test_the_example_loads_without_a_warning(file: Path) -> None:
    found = load(file)

    assert found.stations
    assert not found.unsupported
    assert found.warnings == ()
    dropped = sorted((file.parent / "conf.d").glob("*.toml"))
    assert found.files == (file, *dropped)


@pytest.mark.parametrize("file", sorted(CONFIG.rglob("*.toml")), ids=lambda f: f.name)
def test_the_example_says_that_it_is_invented(file: Path) -> None:
    text = file.read_text()
    assert "invented" in text or file.parent.name == "conf.d"


def test_the_annotated_example_sets_the_defaults() -> None:
    """What it shows as a default is one: leaving it all out changes nothing."""
    shown = load(CONFIG / "annotated.toml").stations["entrance-guide"]
    least = load(CONFIG / "minimal.toml").stations["entrance-guide"]

    differing = {
        name
        for name in type(shown).model_fields
        if getattr(shown, name) != getattr(least, name)
    }
    assert differing == {"relay", "battery"}  # its life, and its design_ah


def test_three_stations_share_one_board() -> None:
    stations = load(CONFIG / "one-relay-board.toml").stations.values()
    targets = [station.relay.target() for station in stations if station.relay]

    assert len({target.link for target in targets}) == 1
    assert [target.channel for target in targets] == ["1", "2", "3"]


def test_the_drop_in_changes_one_mark() -> None:
    station = load(CONFIG / "drop-in/tidegate.toml").stations["night-gallery"]

    assert station.window is not None
    assert (station.window.low_percent, station.window.high_percent) == (55, 70)
    assert station.poll_ms == 60_000


def test_the_watched_guide_only_measures() -> None:
    assert not load(CONFIG / "measure-only.toml").stations["reading-room"].controls
