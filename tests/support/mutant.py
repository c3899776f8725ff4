"""A deliberate bug in one module of the product, put in as the module is imported.

As a plugin (``-p support.mutant``) this puts in the mutant that the environment names,
and says under each failure where it struck. Nothing is written: the source is read,
changed and compiled in memory, past the cache of compiled modules.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder, SourceFileLoader
from pathlib import Path
from types import CodeType, ModuleType
from typing import Final

import pytest

NAMED_BY: Final = "TIDEGATE_TEST_MUTANT"
_PRODUCT: Final = Path(__file__).parents[2] / "daemon" / "tidegate"


@dataclass(frozen=True, slots=True)
class Mutant:
    """``text`` of a module becomes ``instead``: a bug that the named test must find.

    ``module`` is without the leading ``tidegate.``; ``found_by`` is a node id without
    the leading ``tests/``.
    """

    name: str
    module: str
    text: str
    instead: str
    bug: str
    found_by: str

    @property
    def path(self) -> Path:
        """The file of the module."""
        return _PRODUCT.joinpath(*self.module.split(".")).with_suffix(".py")


def mutated(source: str, mutant: Mutant) -> str:
    """Return the source with the bug in it. Errors: ValueError unless it fits once."""
    count = source.count(mutant.text)
    if count != 1 or mutant.text == mutant.instead:
        raise ValueError(f"{mutant.name}: its text is {count} times in {mutant.module}")
    return source.replace(mutant.text, mutant.instead)


class _Loader(SourceFileLoader):
    """Compiles the module with the bug. Neither reads nor writes compiled code."""

    def __init__(self, fullname: str, path: str, mutant: Mutant) -> None:
        super().__init__(fullname, path)
        self._mutant = mutant

    def get_code(self, fullname: str) -> CodeType:
        source = self.get_data(self.path).decode("utf-8")
        return self.source_to_code(mutated(source, self._mutant), self.path)


class _Finder(MetaPathFinder):
    """Finds the one module that gets the bug."""

    def __init__(self, mutant: Mutant) -> None:
        self._mutant = mutant
        self.module = f"tidegate.{mutant.module}"

    def find_spec(
        self,
        fullname: str,
        path: Sequence[str] | None,
        target: ModuleType | None = None,
    ) -> ModuleSpec | None:
        if fullname != self.module:
            return None
        spec = PathFinder.find_spec(fullname, path, target)
        assert spec is not None
        assert spec.origin is not None
        spec.loader = _Loader(fullname, spec.origin, self._mutant)
        return spec


def pytest_configure(config: pytest.Config) -> None:
    """Put the mutant in before any test module imports the product."""
    from mutation.table import BY_NAME

    finder = _Finder(BY_NAME[os.environ[NAMED_BY]])
    assert finder.module not in sys.modules
    sys.meta_path.insert(0, finder)
