"""Worlds live in processes that may hang or die; each is named, the others go on."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from support import search_toys
from support.search import runner
from support.search.__main__ import asked
from support.search.lanes import Job, Lane, lived
from support.search.plan import Outcome
from support.search.runner import Found, Goal, search
from support.search_toys import (
    ADDRESSES,
    CANNOT_BE_DRAWN,
    EXITS,
    HANGS,
    KILLED,
    RAISES,
    STANDARD,
)


def job(kind: str, seed: int) -> Job:
    return Job(address=ADDRESSES[kind], kind=kind, seed=seed)


def lanes_of(group: int) -> list[str]:
    """Return the processes of a group that are lanes."""
    found = []
    for own in Path("/proc").glob("[0-9]*"):
        try:
            line = (own / "cmdline").read_bytes().decode(errors="replace")
            fields = (own / "stat").read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue  # ended meanwhile
        if int(fields[2]) == group and "spawn_main" in line:
            found.append(line)
    return found


@pytest.fixture
def temporary(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return where temporary folders are made now."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    return tmp_path


def test_a_world_that_fails_is_named_and_the_rest_go_on(tmp_path: Path) -> None:
    jobs = iter([job("perilous", seed) for seed in range(8)])
    outcomes: dict[int, Outcome] = {}
    for one in lived(jobs, tmp_path, lanes=2, limit_s=1.0):
        outcomes[one.outcome.plan.seed] = one.outcome

    assert {seed: each.broken for seed, each in outcomes.items()} == {
        0: [],
        RAISES: ["the world raised ValueError: the lobby has no gauge"],
        HANGS: ["the world hangs: not over after 1 s"],
        KILLED: ["the world ended its process by SIGKILL"],
        EXITS: ["the world ended its process with exit code 7"],
        CANNOT_BE_DRAWN: ["the world raised LookupError: no such station: attic"],
        6: [],
        7: [],
    }
    # Where it happened, or what was said last.
    assert any("_live_perilous" in line for line in outcomes[HANGS].last_events)
    assert outcomes[EXITS].last_events == ["the tower fell"]
    assert "ValueError: the lobby has no gauge" in outcomes[RAISES].last_events
    assert all(each.tally.worlds == 1 for each in outcomes.values())
    # Incidents are known of a dead world too, or it could not be made small.
    assert len(outcomes[KILLED].plan.incidents) == 8
    assert outcomes[CANNOT_BE_DRAWN].plan.incidents == ()
    assert outcomes[CANNOT_BE_DRAWN].plan.rerun == "make search KIND=perilous SEED=5"


def test_an_outcome_is_the_one_that_the_kind_gave(tmp_path: Path) -> None:
    with Lane(tmp_path / "lane", limit_s=60) as lane:
        one = lane.live(job("fragile", 4))
        assert list((tmp_path / "lane").iterdir()) == [tmp_path / "lane" / "said"]
    own = tmp_path / "own"
    own.mkdir()
    plan = search_toys.FRAGILE.draw(4)
    expected = search_toys.FRAGILE.live(plan, own)
    # But for the name of its folder, which would make each failing one another.
    [broken] = expected.broken
    expected.broken = [broken.replace(str(own), "FOLDER")]
    assert one.outcome == expected
    assert one.cpu_s > 0


def test_a_search_adds_up_and_makes_small_what_broke(temporary: Path) -> None:
    looks: list[tuple[int, str]] = []

    def look(found: Found) -> None:
        looks.append((found.sum.worlds, found.shrinking))

    found = search(
        {"fragile": Goal(first=1, worlds=10)}, addresses=ADDRESSES, onlook=look
    )
    assert found.tallies["fragile"].worlds == 10
    assert found.tallies["fragile"].incidents == {"mains out": 40, "gauge lost": 40}
    assert found.tallies["fragile"].checks[7] == 30
    assert found.broken == 2
    [failing] = found.failing.values()
    assert sorted(failing.seeds) == [4, 9]
    least = failing.least
    assert [each.number for each in least.plan.incidents] == [2, 5]
    assert found.cut_short == found.shrinking == ""
    assert [done for done, shrinking in looks if not shrinking] == list(range(1, 11))
    assert any("fragile seed" in shrinking for _, shrinking in looks)
    assert list(temporary.iterdir()) == []

    # The line that is printed lives the same world, in a process of its own.
    again = asked(least.plan.rerun.split()[2:], ADDRESSES, STANDARD).again
    assert again is not None
    with Lane(temporary / "lane", limit_s=60) as lane:
        assert lane.live(again).outcome == least


def test_a_goal_of_device_days_goes_on_until_they_were_lived() -> None:
    goals = {"fragile": Goal(days=0.4), "perilous": Goal(first=10, days=0.8)}
    found = search(goals, addresses=ADDRESSES)
    # A world of these lasts a sixth of a day; each lane may have begun one too many.
    assert 3 <= found.tallies["fragile"].worlds <= 5
    assert 5 <= found.tallies["perilous"].worlds <= 7
    assert found.broken <= 1


def test_ctrl_c_keeps_what_was_found(temporary: Path) -> None:
    def look(found: Found) -> None:
        if found.sum.worlds == 3:
            raise KeyboardInterrupt

    found = search({"fragile": Goal(worlds=50)}, addresses=ADDRESSES, onlook=look)
    assert found.cut_short == "interrupted"
    assert found.sum.worlds == 3
    assert list(temporary.iterdir()) == []


def test_where_all_fail_the_search_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """A kind that cannot even be imported would never reach its device-days."""
    monkeypatch.setattr(runner, "FAILING_MAX", 3)
    addresses = {"nowhere": "support.search_toys:NOWHERE"}
    found = search({"nowhere": Goal(days=10)}, addresses=addresses)
    # The lanes end what they have begun.
    assert found.broken in (3, 4)
    assert found.cut_short == "3 worlds failed"
    [failing] = found.failing.values()
    assert "AttributeError" in failing.least.broken[0]
    assert failing.shrunk is None


@pytest.mark.timeout(40)
def test_ctrl_c_at_a_terminal_ends_in_good_order(tmp_path: Path) -> None:
    """A terminal signals all processes: the lanes must not hear it, and all must end."""
    pipe, temporary = tmp_path / "pipe", tmp_path / "temporary"
    os.mkfifo(pipe)
    temporary.mkdir()
    program = (
        "import sys; from support.search.__main__ import main;"
        "from support.search_toys import ADDRESSES, STANDARD;"
        "words = ['KIND=perilous', 'SEEDS=3', '--json'];"
        "sys.exit(main(words, ADDRESSES, STANDARD))"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program],
        env={
            **os.environ,
            "PYTHONPATH": str(Path(__file__).parents[1]),
            "TMPDIR": str(temporary),
            search_toys.HANGS_AT: str(pipe),
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    ) as process:
        assert pipe.read_text() == "hanging"
        assert len(lanes_of(process.pid)) == 2
        os.killpg(process.pid, signal.SIGINT)
        stdout, stderr = process.communicate(timeout=60)
    document = json.loads(stdout)
    assert document["cut_short"] == "interrupted"
    assert document["kinds"]["perilous"]["worlds"] in (1, 2)
    assert process.returncode == 1
    assert stderr == ""
    assert list(temporary.iterdir()) == []
    assert lanes_of(process.pid) == []
