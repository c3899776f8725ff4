"""The metrics as text, in two formats that are told apart by their media types.

One text cannot serve both. In OpenMetrics a counter is named without ``_total`` in its
metadata, an info without ``_info``, and ``# EOF`` ends the text; a reader of the
classic format then takes both for series without a type, and the textfile collector
of node-exporter reads the classic one only.

Source: OpenMetrics 1.0, sections "Text format" and "Escaping"; Prometheus exposition
formats, text format 0.0.4.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite
from typing import Final

from tidegate.publish.families import FAMILIES, Family, Labels
from tidegate.publish.figures import View

OPENMETRICS: Final = "application/openmetrics-text; version=1.0.0; charset=utf-8"
CLASSIC: Final = "text/plain; version=0.0.4; charset=utf-8"
# What is no type of the classic format is the nearest of its types.
_CLASSIC_TYPES: Final = {"info": "gauge"}
_SUFFIXES: Final = {"counter": "_total", "info": "_info"}


def pieces(views: Sequence[View], media_type: str) -> Iterator[str]:
    """Yield the text piece by piece, so that whoever sends it may rest in between."""
    is_openmetrics = media_type == OPENMETRICS
    for family in FAMILIES:
        head = _head(family) if is_openmetrics else _classic_head(family)
        yield "".join((*head, *_samples(family, views)))
    if is_openmetrics:
        yield "# EOF\n"


def text(views: Sequence[View], media_type: str) -> str:
    """Return the whole text."""
    return "".join(pieces(views, media_type))


def _head(family: Family) -> Iterator[str]:
    yield f"# TYPE {family.name} {family.kind}\n"
    if family.unit:
        yield f"# UNIT {family.name} {family.unit}\n"
    yield f"# HELP {family.name} {escaped(family.help)}\n"


def _classic_head(family: Family) -> Iterator[str]:
    name = family.name + _SUFFIXES.get(family.kind, "")
    # A quote stands for itself in a classic help, and no help of ours has one.
    yield f"# HELP {name} {escaped(family.help)}\n"
    yield f"# TYPE {name} {_CLASSIC_TYPES.get(family.kind, family.kind)}\n"


def _samples(family: Family, views: Sequence[View]) -> Iterator[str]:
    for view in views:
        station = ("station", view.station)
        for suffix, labels, value in family.samples(view):
            if isfinite(value):
                said = _labels((station, *labels))
                yield f"{family.name}{suffix}{{{said}}} {value!r}\n"


def _labels(labels: Labels) -> str:
    return ",".join(f'{name}="{escaped(value)}"' for name, value in labels)


def escaped(value: str) -> str:
    """Return a text as it stands between quotes or in a help."""
    return value.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')
