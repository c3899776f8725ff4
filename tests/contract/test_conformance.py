"""Every backend meets the contract; a backend without a bench fails.

The packages are walked, so a new file is held to the contract the day it lands.
"""

from __future__ import annotations

import importlib
import pkgutil
import tomllib
from contextlib import AsyncExitStack
from pathlib import Path
from types import ModuleType

import pytest

import tidegate_backends.gauges
import tidegate_backends.relays
from contract.benches import ENTRIES
from contract.entry import AnyBench
from tidegate.testing import (
    GAUGE_CLAUSES,
    RELAY_CLAUSES,
    GaugeBench,
    RelayBench,
    check_declaration,
    errors_are_reachable,
)
from tidegate.testing.clauses import within

ROOT = Path(__file__).parents[2]


def walked() -> list[str]:
    """The modules of all backends that the packages hold."""
    packages: tuple[ModuleType, ...] = (
        tidegate_backends.gauges,
        tidegate_backends.relays,
    )
    return [
        f"{package.__name__}.{module.name}"
        for package in packages
        for module in pkgutil.iter_modules(package.__path__)
        if not module.name.startswith("_")
    ]


def entry_points() -> dict[str, str]:
    """Module to kind, of our own entry points."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    groups = project["entry-points"]
    points = {**groups["tidegate.gauges"]}, {**groups["tidegate.relays"]}
    return {
        path.partition(":")[0]: kind for group in points for kind, path in group.items()
    }


def cases() -> list[object]:
    """One case for each clause, bench and backend."""
    found = []
    for name, entry in ENTRIES.items():
        is_gauge = "gauge" in name
        for clause in GAUGE_CLAUSES if is_gauge else RELAY_CLAUSES:
            for bench in entry.benches:
                label = f"{name.partition('.')[2]}-{bench}-{clause.__name__}"
                found.append(pytest.param(name, bench, clause.__name__, id=label))
    return found


@pytest.mark.parametrize("name", [*walked(), *entry_points()])
def test_every_backend_has_a_bench(name: str) -> None:
    assert name in ENTRIES, f"write a bench for {name} in tests/contract/benches.py"
    assert ENTRIES[name].benches


def test_no_bench_without_its_backend() -> None:
    assert set(ENTRIES) == {*walked(), *entry_points()}


@pytest.mark.parametrize("name", [*walked(), *entry_points()])
def test_declaration(name: str) -> None:
    module = importlib.import_module(name)
    check_declaration(module, ENTRIES[name].table, kind=entry_points().get(name))


@pytest.mark.parametrize("name", list(ENTRIES))
async def test_every_declared_error_is_reached(name: str, tmp_path: Path) -> None:
    """By one of its benches, or there is a reason why no peer here can do it."""
    async with AsyncExitStack() as stack:
        made = []
        for number, bench in enumerate(ENTRIES[name].benches.values()):
            (folder := tmp_path / str(number)).mkdir()
            made.append(await stack.enter_async_context(bench(folder)))
        await errors_are_reachable(*made)


@pytest.mark.parametrize(("name", "bench", "clause"), cases())
async def test_clause(name: str, bench: str, clause: str, tmp_path: Path) -> None:
    async with ENTRIES[name].benches[bench](tmp_path) as made:
        await within(made.limit_s, run(clause, made), name=clause)


async def run(clause: str, bench: AnyBench) -> None:
    if isinstance(bench, GaugeBench):
        (gauge_clause,) = [one for one in GAUGE_CLAUSES if one.__name__ == clause]
        await gauge_clause(bench)
    else:
        assert isinstance(bench, RelayBench)
        (relay_clause,) = [one for one in RELAY_CLAUSES if one.__name__ == clause]
        await relay_clause(bench)
