"""The example in DEVELOPERS.md is a backend that keeps the contract."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

from support.host import TestHost
from tidegate.contract import Contact, Relay, energised
from tidegate.core.reading import Supply
from tidegate.errors import Unavailable
from tidegate.testing import RelayBench, check_declaration, check_relay

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


@pytest.fixture
def example() -> Iterator[ModuleType]:
    blocks = re.findall(r"(?s)```python\n(.*?)```", GUIDE.read_text(encoding="utf-8"))
    assert len(blocks) == 1
    module = ModuleType("example")
    # pydantic looks annotations up in the module that a class says it is from.
    sys.modules["example"] = module
    exec(compile(blocks[0], str(GUIDE), "exec"), module.__dict__)
    yield module
    del sys.modules["example"]


async def test_the_example_keeps_the_contract(example: ModuleType) -> None:
    def make(contact: Contact) -> Relay:
        relay: Relay = example.ExampleRelay(
            example.Settings(contact=contact), TestHost()
        )
        return relay

    async def supply_becomes(contact: Contact, supply: Supply) -> bool:
        return bool(example.COILS[1] == energised(supply, contact))

    check_declaration(example, {"kind": "example"})
    bench = RelayBench(
        make=make,
        supply_becomes=supply_becomes,
        cannot_happen_here={Unavailable: "the board is a dict, which is always there"},
    )
    await check_relay(bench)
