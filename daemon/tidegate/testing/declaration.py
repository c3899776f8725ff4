"""What a backend's module declares: its constant, its kind, its settings."""

from __future__ import annotations

from collections.abc import Mapping
from types import ModuleType
from typing import Any

from pydantic import ValidationError

from tidegate.contract import (
    Backend,
    BackendSettings,
    GaugeSettings,
    RelaySettings,
    Target,
)
from tidegate.testing.clauses import expect


def check_declaration(
    module: ModuleType, table: Mapping[str, Any], *, kind: str | None = None
) -> None:
    """Check ``BACKEND`` and the settings model against the contract.

    ``table`` is a valid table as an operator would write it; ``kind`` is what the
    entry point is called, for a backend whose file has another name.
    """
    name = kind or module.__name__.rpartition(".")[2].replace("_", "-")
    backend = getattr(module, "BACKEND", None)
    expect(isinstance(backend, Backend), f"{module.__name__} has no BACKEND")
    assert isinstance(backend, Backend)
    expect(
        backend.kind == name,
        f"BACKEND.kind is {backend.kind!r}, the name says {name!r}",
    )
    expect(bool(module.__doc__), f"{module.__name__} has no docstring")
    _check_model(backend.settings)
    settings = backend.settings.model_validate(dict(table))
    expect(settings.kind == name, f"the settings' kind is {settings.kind!r}")
    _check_strangers(backend.settings, table)
    _check_frozen(settings)
    if isinstance(settings, RelaySettings):
        _check_target(backend.settings, table)


def _check_model(model: type[BackendSettings]) -> None:
    is_gauge = issubclass(model, GaugeSettings)
    is_relay = issubclass(model, RelaySettings)
    expect(
        is_gauge != is_relay,
        f"{model.__name__} derives from neither or both of GaugeSettings, RelaySettings",
    )
    expect(
        model.model_config.get("extra") == "forbid", f"{model.__name__} takes any key"
    )
    expect(model.model_config.get("frozen") is True, f"{model.__name__} is not frozen")


def _check_strangers(model: type[BackendSettings], table: Mapping[str, Any]) -> None:
    for stranger in ({"kind": "another-kind"}, {"no_such_key": 1}):
        try:
            model.model_validate({**table, **stranger})
        except ValidationError:
            continue
        raise AssertionError(f"{model.__name__} takes {stranger}")


def _check_frozen(settings: BackendSettings) -> None:
    try:
        settings.kind = "changed"
    except ValidationError:
        return
    raise AssertionError(f"{type(settings).__name__} can be changed after loading")


def _check_target(model: type[BackendSettings], table: Mapping[str, Any]) -> None:
    """Two loads of one table must occupy the same, or a lock would not hold."""
    first, second = (model.model_validate(dict(table)) for _ in range(2))
    assert isinstance(first, RelaySettings)
    assert isinstance(second, RelaySettings)
    target = first.target()
    expect(isinstance(target, Target), "target() does not return a Target")
    expect(bool(target.link), "target() names no link")
    expect(target == second.target(), "target() differs from load to load")
