"""Errors that a backend declares, against those that a peer of it brings about.

A backend declares them in the docstring of its class: the names of
``tidegate.errors`` after the word "Errors:", to the end of the paragraph.
"""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterable

from tidegate.contract import Gauge, Relay
from tidegate.errors import BackendError
from tidegate.testing.bench import GaugeBench, RelayBench
from tidegate.testing.clauses import expect

_PARAGRAPH = re.compile(r"Errors:(.*?)(?:\n\s*\n|\Z)", re.DOTALL)

Errors = frozenset[type[BackendError]]


def declared_errors(backend: type[Gauge] | type[Relay]) -> Errors:
    """Return what the class, or the nearest one that it derives from, declares."""
    known = {error.__name__: error for error in BackendError.__subclasses__()}
    for each in backend.__mro__:
        if each in (Gauge, Relay):
            break
        found = _PARAGRAPH.search(inspect.cleandoc(each.__doc__ or ""))
        if found is not None:
            words = re.findall(r"\w+", found[1])
            return frozenset(known[word] for word in words if word in known)
    return frozenset()


async def errors_are_reachable(*benches: GaugeBench | RelayBench) -> None:
    """Each declared error is reached by a fault of a bench, or has a reason why not.

    Several benches of one backend are taken together. That a fault brings its error
    about is another clause, ``faults_are_told``.
    """
    classes = {type(_made(bench)) for bench in benches}
    expect(
        len(classes) == 1, f"these are benches of {len(classes)} backends, not of one"
    )
    (backend,) = classes
    declared = declared_errors(backend)
    expect(bool(declared), f'the docstring of {backend.__name__} has no "Errors: …"')
    reached = {fault.error for bench in benches for fault in bench.faults}
    reasons = {
        error: reason
        for bench in benches
        for error, reason in bench.cannot_happen_here.items()
    }
    _check_missing(backend, declared - reached - reasons.keys())
    _check_reasons(backend, reasons, declared=declared, reached=frozenset(reached))
    undeclared = _names(reached - declared)
    expect(
        not undeclared,
        f"faults reach {undeclared}, which {backend.__name__} does not declare: add it "
        'to "Errors:" in its docstring',
    )


def _made(bench: GaugeBench | RelayBench) -> Gauge | Relay:
    if isinstance(bench, GaugeBench):
        return bench.make()
    return bench.make(bench.contacts[0])


def _check_missing(backend: type, missing: Iterable[type[BackendError]]) -> None:
    names = _names(missing)
    one = names.partition(", ")[0]
    expect(
        not names,
        f"{backend.__name__} declares {names} and no fault reaches it: add to the "
        f'bench\'s faults Fault(name="what happens to the peer", during="the call that '
        f'meets it", error={one}, provoke=…, mend=…), or say why this peer can never do '
        f'it: cannot_happen_here={{{one}: "because …"}}',
    )


def _check_reasons(
    backend: type,
    reasons: dict[type[BackendError], str],
    *,
    declared: Errors,
    reached: Errors,
) -> None:
    for error, reason in reasons.items():
        name = error.__name__
        expect(bool(reason.strip()), f"cannot_happen_here: no reason for {name}")
        expect(
            error in declared,
            f"cannot_happen_here names {name}, which {backend.__name__} does not declare",
        )
        expect(
            error not in reached,
            f"cannot_happen_here names {name}, and a fault reaches it: take the reason out",
        )


def _names(errors: Iterable[type[BackendError]]) -> str:
    return ", ".join(sorted(error.__name__ for error in errors))
