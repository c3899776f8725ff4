"""The kinds of world by name, each imported only where it is lived."""

from __future__ import annotations

from importlib import import_module
from typing import Final

from support.search.plan import Kind

# Name -> module and the name of the kind in it.
ADDRESSES: Final = {
    "core": "support.search.core_kind:CORE",
    "whole": "support.search.whole_kind:WHOLE",
}


def kind_at(address: str) -> Kind:
    """Return the kind that stands at an address, which is ``module:NAME``."""
    module, _, name = address.partition(":")
    kind: Kind = getattr(import_module(module), name)
    return kind


def incidents_at(address: str) -> frozenset[str]:
    """Return what can happen in worlds of a kind: the names in ``INCIDENTS`` there."""
    module, _, _ = address.partition(":")
    return frozenset(import_module(module).INCIDENTS)
