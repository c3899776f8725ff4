"""Which relays ``restore`` can still tell while the settings are wrong.

Nobody else would: no daemon starts with them. What a kill leaves is in
``tests/peers/test_run_process.py``. The museum and its guides are invented.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tidegate import restore

RELAY = '{{ kind = "command", on = ["/bin/true", "{0}"], off = ["/bin/false"] }}'
MAIN = f"""\
[log]
path = "/data/museum.db"

[station.hall]
gauge = {{ kind = "twin" }}
relay = {RELAY.format("hall")}
window = {{ low = 55, high = 65 }}

[station.foyer]
gauge = {{ kind = "twin" }}
relay = {RELAY.format("foyer")}
window = {{ low = 55, high = 65 }}
"""


def command(which: str) -> dict[str, Any]:
    return {"kind": "command", "on": ["/bin/true", which], "off": ["/bin/false"]}


@pytest.fixture(autouse=True)
def logs(monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[Path, dict[str, Any]]]:
    """The relays of the last run in each cycle log; the files are what is tried."""
    found: dict[Path, dict[str, Any]] = {}
    monkeypatch.setattr(
        restore, "_relays_in", lambda log: iter(found.get(log, {}).items())
    )
    return found


@pytest.fixture
def main(tmp_path: Path) -> Path:
    (tmp_path / "conf.d").mkdir()
    file = tmp_path / "tidegate.toml"
    file.write_text(MAIN)
    return file


def told(main: Path) -> tuple[str, dict[str, str]]:
    """Return the log, and of each relay that is known what its "on" says."""
    log, stations = restore.last_known(main)
    relays = {name: it.relay.model_dump() for name, it in stations.items() if it.relay}
    return str(log), {name: relay["on"][-1] for name, relay in relays.items()}


BOTH = {"hall": "hall", "foyer": "foyer"}


@pytest.mark.parametrize("text", ["poll = \n", "\xff", "[a]\n[a]\n"])
def test_a_broken_file_beside_does_not_hide_the_others(main: Path, text: str) -> None:
    (main.parent / "conf.d" / "50-mine.toml").write_text(text, encoding="latin-1")
    assert told(main) == ("/data/museum.db", BOTH)


def test_a_pipe_beside_does_not_hold_it_up(main: Path) -> None:
    os.mkfifo(main.parent / "conf.d" / "50-mine.toml")
    assert told(main) == ("/data/museum.db", BOTH)


def test_a_slip_in_one_table_does_not_hide_the_others(
    main: Path, logs: dict[Path, dict[str, Any]]
) -> None:
    """A file that somebody is just writing; TOML 1.0, section Table."""
    main.write_text(MAIN.replace("[station.foyer]\ngauge", "[station.foyer]\ngauge ="))
    assert told(main) == ("/data/museum.db", {"hall": "hall"})
    logs[Path("/data/museum.db")] = {"foyer": command("of the log")}
    assert told(main)[1] == {"hall": "hall", "foyer": "of the log"}


def test_where_a_file_cannot_be_read_the_last_run_comes_first(
    main: Path, logs: dict[Path, dict[str, Any]]
) -> None:
    """It may have named another relay than the other files do."""
    beside = main.parent / "conf.d" / "50-mine.toml"
    logs[Path("/data/museum.db")] = {"hall": command("of the log")}
    beside.symlink_to("nowhere")
    assert told(main)[1] == {"hall": "of the log", "foyer": "foyer"}
    beside.unlink()
    beside.write_text("[defaults]\npoll = 7\n")  # wrong, and can be read
    assert told(main)[1] == BOTH


def test_a_relay_may_stand_in_the_defaults(main: Path) -> None:
    main.write_text(
        f"[defaults]\nrelay = {RELAY.format('all')}\npoll = 7\n"
        '[station.hall]\ngauge = { kind = "twin" }\n'
        '[station.foyer]\nrelay = { on = ["/bin/true", "foyer"] }\n'
    )
    assert told(main)[1] == {"hall": "all", "foyer": "foyer"}


def test_without_any_file_the_last_run_is_all_there_is(
    main: Path, logs: dict[Path, dict[str, Any]]
) -> None:
    main.unlink()
    (main.parent / "conf.d").rmdir()
    log = restore.LogSettings().path
    logs[log] = {"hall": command("of the log")}
    assert told(main) == (str(log), {"hall": "of the log"})


def test_nested_without_end_hides_nothing_else(main: Path) -> None:
    """TOML sets no limit to a dotted key; Python's calls have one."""
    deep = ".".join(["a"] * 3_000)
    main.write_text(f"{MAIN}\n[defaults]\n{deep} = 1\n")
    assert told(main) == ("/data/museum.db", BOTH)


def test_a_huge_file_beside_is_not_taken_into_memory(main: Path) -> None:
    """It is sparse: half a terabyte that takes no place on the disk."""
    beside = main.parent / "conf.d" / "50-mine.toml"
    with beside.open("wb") as stream:
        stream.truncate(1 << 39)
    assert told(main) == ("/data/museum.db", BOTH)
