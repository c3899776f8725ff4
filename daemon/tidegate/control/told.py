"""Errors over the control socket: told as a document, raised again as they were."""

from __future__ import annotations

import inspect
from collections.abc import Mapping
from typing import Any, Final

from tidegate import errors
from tidegate.errors import BackendError, TidegateError

_KINDS: Final[Mapping[str, type[TidegateError]]] = {
    name: kind
    for name, kind in inspect.getmembers(errors, inspect.isclass)
    if issubclass(kind, TidegateError)
}


def told(error: TidegateError) -> dict[str, Any]:
    """Return the document of an error: ``kind``, ``says``, ``remedy``, ``target``.

    ``denied`` says that the system did not let the daemon do it.
    """
    says = error.what
    document = {"kind": type(error).__name__, "remedy": error.remedy}
    if isinstance(error, BackendError):
        document["target"] = error.target
        says = says.removeprefix(f"{error.target}: ")
    denied = isinstance(error.__cause__, PermissionError)
    return {**document, "says": says, **({"denied": True} if denied else {})}


def raised(document: object) -> TidegateError:
    """Return the error that a document tells of, of its own class where we know it."""
    if not isinstance(document, dict):
        document = {}
    kind = _KINDS.get(str(document.get("kind")), TidegateError)
    says = str(document.get("says") or "the daemon says that it failed, and not why")
    remedy = str(document.get("remedy") or "")
    if issubclass(kind, BackendError):
        target = str(document.get("target") or "daemon")
        error: TidegateError = kind(says, target=target, remedy=remedy)
    else:
        error = kind(says, remedy=remedy)
    if document.get("denied") is True:
        error.__cause__ = PermissionError(says)
    return error
